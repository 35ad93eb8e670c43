"""The tape: a minute's last readings, packed and given back."""

import zlib

import pytest

from accounting.ledger.tape import TapeRecorder, as_csv, pack, unpack

MINUTE_S = 60


def recorded(*readings: tuple[str, float, float], before_s: float = 1e9):  # type: ignore[no-untyped-def]
    tape = TapeRecorder()
    for signal, at_s, value in readings:
        tape.note(signal, at_s, value)
    chunk = tape.take(before_s)
    return unpack([chunk]) if chunk else []


def test_the_last_reading_of_each_signal_in_a_minute_stands_at_its_end() -> None:
    rows = recorded(
        ("grid_w", 1.0, 5.0), ("grid_w", 59.5, -7.25), ("tank_level_pct", 30.0, 40.0), ("grid_w", 61.0, 9.0)
    )
    assert rows == [(60, {"grid_w": -7.25, "tank_level_pct": 40.0}), (120, {"grid_w": 9.0})]


def test_a_reading_on_the_full_minute_belongs_to_the_minute_that_ends_there() -> None:
    assert recorded(("grid_w", 60.0, 1.0), ("grid_w", 60.001, 2.0)) == [(60, {"grid_w": 1.0}), (120, {"grid_w": 2.0})]


def test_recording_a_replayed_tape_gives_the_same_tape() -> None:
    rows = [(60 * minute, {"grid_w": minute / 3, "diverted_wh": 1e11 + minute}) for minute in range(1, 50)]
    again = recorded(*((name, at_s, value) for at_s, values in rows for name, value in values.items()))
    assert again == rows


def test_an_older_reading_that_comes_later_does_not_displace_a_newer_one() -> None:
    assert recorded(("grid_w", 50.0, 1.0), ("grid_w", 20.0, 2.0)) == [(60, {"grid_w": 1.0})]
    assert recorded(("grid_w", 50.0, 1.0), ("grid_w", 50.0, 2.0)) == [(60, {"grid_w": 2.0})]


def test_only_whole_minutes_are_taken_and_only_once() -> None:
    tape = TapeRecorder()
    for at_s in (10.0, 70.0, 130.0):
        tape.note("grid_w", at_s, at_s)
    assert tape.take(59.9) is None
    chunk = tape.take(120.0)
    assert chunk is not None
    assert (chunk.from_s, chunk.to_s, chunk.rows) == (60, 120, 2)
    assert tape.take(179.0) is None
    last = tape.take(180.0)
    assert last is not None
    assert unpack([last]) == [(180, {"grid_w": 130.0})]


def test_a_late_reading_makes_a_second_chunk_that_is_merged_on_reading() -> None:
    early = pack([(60, {"grid_w": 1.0}), (120, {"grid_w": 2.0})])
    late = pack([(60, {"pv_w": 3.0, "grid_w": 4.0})])
    assert unpack([early, late]) == [(60, {"grid_w": 4.0, "pv_w": 3.0}), (120, {"grid_w": 2.0})]
    assert unpack([early, late], 61, 120) == []
    assert unpack([early, late], 120, 121) == [(120, {"grid_w": 2.0})]


def test_the_chunk_is_a_compressed_readings_file() -> None:
    chunk = pack([(1_780_272_060, {"tank_level_pct": 40.5, "grid_w": -1200.0}), (1_780_272_120, {"grid_w": 0.1})])
    text = "time,grid_w,tank_level_pct\n2026-06-01T00:01:00Z,-1200,40.5\n2026-06-01T00:02:00Z,0.1,\n"
    assert zlib.decompress(chunk.data).decode() == text
    assert as_csv(unpack([chunk])) == text


@pytest.mark.parametrize("value", [0.1 + 0.2, 1e-9, 123456789012.25, -0.0, 1e15, 2**53 + 2.0, 1e22])
def test_every_value_reads_back_as_the_same_number(value: float) -> None:
    assert recorded(("grid_w", 1.0, value)) == [(60, {"grid_w": value})]
