"""Whatever comes from a meter's port, a telegram is read whole or not at all."""

from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.neighbours.readers.telegrams import SmlTelegrams, TextTelegrams
from tests.unit.daemon.neighbours.readers.test_telegrams import FRAME, text

TEXT = text()


@st.composite
def damaged(draw: st.DrawFn, whole: bytes) -> bytes:
    """A telegram with a few bytes changed, cut out or put in, between others."""
    found = bytearray(whole)
    for _ in range(draw(st.integers(0, 4))):
        place = draw(st.integers(0, len(found) - 1))
        match draw(st.sampled_from(("change", "cut", "add"))):
            case "change":
                found[place] = draw(st.integers(0, 255))
            case "cut":
                del found[place : place + draw(st.integers(1, 9))]
            case _:
                found[place:place] = draw(st.binary(max_size=9))
        found = found or bytearray(b"?")
    return draw(st.binary(max_size=20)) + bytes(found) + draw(st.sampled_from((b"", whole)))


@settings(deadline=None, max_examples=150)
@given(damaged(TEXT))
def test_damaged_text_gives_the_right_values_or_none(came: bytes) -> None:
    right, _ = TextTelegrams().newest(TEXT)
    try:
        told, rest = TextTelegrams().newest(came)
    except ValueError:
        return
    assert came.endswith(rest)
    without_checksum = b"!\r\n" in came or b"!\n" in came  # as older meters send it: then nothing can be checked
    assert told is None or told == right or without_checksum


@settings(deadline=None, max_examples=150)
@given(damaged(FRAME))
def test_damaged_sml_gives_the_right_values_or_none(came: bytes) -> None:
    right, _ = SmlTelegrams().newest(FRAME)
    try:
        told, _ = SmlTelegrams().newest(came)
    except ValueError:
        return
    assert told is None or told == right
