"""All that was heard, examined together: a night of a house whose meter is turned and whose use is sent in kW."""

import random
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from daemon.config.load import parse
from daemon.setup.draft import Facts, draft
from daemon.setup.examine import examined
from daemon.setup.survey import Survey
from tests.support.heard import listened


def _night() -> Survey:
    chance, survey, import_wh = random.Random(3), Survey(), 0.0
    for place in range(90):
        house_w, battery_w = chance.uniform(200, 900), -300.0 if place % 2 else 0.0
        grid_w = house_w + battery_w
        import_wh += max(0.0, grid_w) / 3600 * 60
        payloads = {
            "cupboard/meter": f'{{"power": {-grid_w:.0f}, "import": {import_wh / 1000:.4f}, "kind": "x"}}',
            "cupboard/meter/import/total": f"{import_wh / 1000:.4f}",
            "house/power": f"{house_w / 1000:.3f}",
            "shed/battery/power": f"{battery_w:.0f}",
        }
        listened(survey, place * 60, {topic: text.encode() for topic, text in payloads.items()})
    return survey


def test_a_night_tells_sign_and_unit_and_settles_the_doubts() -> None:
    found = examined(_night().readable())
    scales = {one.source.signal: one.source.scale for one in found.guesses}
    assert scales == {"grid_w": -1, "house_w": 1000, "battery_w": 1, "import_wh": 1000}
    doubts = {one.source.signal: one.doubts for one in found.guesses}
    assert doubts["grid_w"] == ()
    assert doubts["battery_w"] == ()
    assert doubts["house_w"] == ()
    assert any(note.startswith("balance: grid_w: ") and "the sign is turned" in note for note in found.notes)
    assert any(note.startswith("counters: import_wh: ") for note in found.notes)


def test_without_enough_it_says_why_and_a_kettle_is_asked_about() -> None:
    survey = Survey()
    listened(survey, 0, {"meter/power": b"300"})
    found = examined(survey.readable(), (1.0, 2.0))
    assert [note.partition(":")[0] for note in found.notes] == ["sign test", "balance"]
    assert found.guesses[0].doubts[-1].startswith("the sign")


_TOPICS = st.sampled_from(
    ["meter/power", "house/power", "battery/w", "pv/kw", "meter/import/kwh", "diverter/w", "tank/level"]
)
_PAYLOADS = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True).map(str),
    st.integers(-(10**30), 10**30).map(str),
    st.sampled_from(["", "on", "87%", "1,5 kW", '{"w": 1e308, "x": -1e308}', '{"charge": 1, "discharge": "a"}', "[]"]),
    st.text(max_size=8),
).map(lambda text: text.encode("utf-8", "replace"))


@given(st.lists(st.tuples(_TOPICS, _PAYLOADS, st.booleans()), max_size=40))
def test_whatever_comes_there_is_an_answer(messages: list[tuple[str, bytes, bool]]) -> None:
    survey = Survey()
    for second, (topic, payload, retained) in enumerate(messages):
        listened(survey, second, {topic: payload}, retained)
    found = examined(survey.readable(), (10.0, 12.0))
    assert len({guess.source.signal for guess in found.guesses}) == len(found.guesses)
    text = draft(Facts(notes=found.notes), found.guesses, survey.readable())
    assert parse(text.encode(), Path("new.toml")).watches
