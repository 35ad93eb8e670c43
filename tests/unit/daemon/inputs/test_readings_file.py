"""The readings file: what is read, what is refused in words, what is counted."""

import gzip
from collections.abc import Sequence
from pathlib import Path

import pytest

from daemon.inputs.readings_file import ReadingsFile, open_readings
from rules.model.errors import BrimfulError

NOON_S = 1_780_315_200.0  # 2026-06-01T12:00:00Z
Rows = list[tuple[float, list[float | None]]]


def opened(text: str, heaters: Sequence[str] = ("main",)) -> ReadingsFile:
    return ReadingsFile("day.csv", text.splitlines(keepends=True), heaters)


def values(file: ReadingsFile, signals: Sequence[str]) -> Rows:
    """Each row's instant, and what it tells of each signal; None for no reading."""
    rows: Rows = []
    for at_s, readings in file.rows(signals):
        assert all((reading.at_s, reading.seen_s) == (at_s, at_s) for reading in readings)
        told = {reading.signal: reading.value for reading in readings}
        rows.append((at_s, [told.get(signal) for signal in signals]))
    return rows


def rows(path: Path, *signals: str) -> Rows:
    with open_readings(path, ("main",)) as file:
        return values(file, signals or file.signals)


def refused(path: Path) -> str:
    """What a person is told of a file that cannot be read to its end; one sentence."""
    with pytest.raises(BrimfulError) as told:
        rows(path)
    return str(told.value)


@pytest.mark.parametrize(
    "content",
    [
        b"time,grid_w,tank_level_pct\n2026-06-01T12:00:00Z,-5,50\n2026-06-01T12:01:00Z,,51.5\n",
        b"time,grid_w,tank_level_pct\r\n2026-06-01T12:00:00Z,-5,50\r\n2026-06-01T12:01:00Z,,51.5",
        b"\xef\xbb\xbftime,grid_w,tank_level_pct\n2026-06-01T12:00:00Z,-5,50\n2026-06-01T12:01:00Z,,51.5\n",
        b'\xef\xbb\xbf"time","grid_w","tank_level_pct"\n"2026-06-01T12:00:00Z","-5","50"\n2026-06-01T12:01:00Z,,51.5\n',
        b"time, grid_w ,tank_level_pct\n2026-06-01T14:00:00+02:00,-5,5e1\n\n2026-06-01 12:01:00.000+00:00,, 51.5\n",
    ],
    ids=["plain", "CRLF, no last line end", "byte order mark", "quoted", "spaces, offsets, an empty line"],
)
def test_the_ways_to_write_the_same(tmp_path: Path, content: bytes) -> None:
    plain, packed = tmp_path / "day.csv", tmp_path / "day.csv.gz"
    plain.write_bytes(content)
    packed.write_bytes(gzip.compress(content))
    assert rows(plain) == rows(packed) == [(NOON_S, [-5.0, 50.0]), (NOON_S + 60, [None, 51.5])]


def test_only_the_columns_asked_for_are_looked_at() -> None:
    file = opened("time,grid_w,pv_w,diverted_wh_main\n2026-06-01T12:00:00Z,1,rubbish,7\n")
    assert file.signals == ["grid_w", "pv_w", "diverted_wh_main"]
    assert values(file, ["diverted_wh_main", "grid_w"]) == [(NOON_S, [7.0, 1.0])]
    assert file.refusals.count == {}


MINUTES = [f"2026-06-01T12:{minute:02}:00Z,{minute}\n" for minute in range(60)]


def ordered(path: Path, lines: list[str]) -> tuple[Rows, str]:
    text = ("time,grid_w\n" + "".join(lines)).encode()
    path.write_bytes(gzip.compress(text) if path.suffix == ".gz" else text)
    with open_readings(path, ("main",)) as file:
        return values(file, file.signals), "" if file.disorder is None else str(file.disorder)


@pytest.mark.parametrize("name", ["day.csv", "day.csv.gz"])
@pytest.mark.parametrize("at_once", [7, 50_000])
def test_rows_that_are_out_of_order_are_put_in_order_and_that_is_said(
    tmp_path: Path, name: str, at_once: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daemon.inputs.row_order.ROWS_AT_ONCE", at_once)
    path = tmp_path / name
    plain, said = ordered(path, MINUTES)
    assert said == ""
    assert ordered(path, MINUTES[::-1]) == (
        plain,
        "its 60 rows come newest first; they were put in order of time",
    )
    swapped = [*MINUTES[:10], MINUTES[11], MINUTES[10], *MINUTES[12:]]
    found, said = ordered(path, swapped)
    assert found == plain
    assert said == "1 row is earlier than the row before, the first in line 13; put in order of time"


def test_order_is_by_time_and_not_by_how_it_is_written(tmp_path: Path) -> None:
    """At the end of summer time the same local hour comes twice, with another offset."""
    lines = ["2026-10-25T02:30:00+02:00,1\n", "2026-10-25T02:00:00+01:00,2\n", "2026-10-25 01:30:00Z,3\n"]
    assert ordered(tmp_path / "night.csv", lines)[1] == ""
    found, said = ordered(tmp_path / "night.csv", [lines[1], lines[0], lines[2]])
    assert said.startswith("1 row is earlier")
    assert [told for _, told in found] == [[1.0], [2.0], [3.0]]


def test_rows_of_one_instant_keep_the_files_order(tmp_path: Path) -> None:
    lines = [MINUTES[5], "2026-06-01T12:01:00Z,7\n", "2026-06-01T12:01:00Z,8\n"]
    assert [told for _, told in ordered(tmp_path / "day.csv", lines)[0]] == [[7.0], [8.0], [5.0]]


def test_what_is_wrong_in_a_file_out_of_order_is_named_by_its_line(tmp_path: Path) -> None:
    with pytest.raises(BrimfulError, match="line 4: expected a time"):
        ordered(tmp_path / "day.csv", [MINUTES[3], MINUTES[2], "yesterday,1\n"])
    lines = [MINUTES[3], "2026-06-01T12:01:00Z,rubbish\n"]
    (tmp_path / "day.csv").write_text("time,grid_w\n" + "".join(lines))
    with open_readings(tmp_path / "day.csv", ("main",)) as file:
        values(file, ["grid_w"])
        assert file.refusals.first["grid_w"].startswith("line 3:")


def test_lines_that_are_handed_over_come_in_their_own_order() -> None:
    file = opened("time,grid_w\n" + "".join(f"2026-06-01T12:0{minute}:00Z,{minute}\n" for minute in (3, 1, 1, 2)))
    assert [(at_s - NOON_S, told) for at_s, told in values(file, ["grid_w"])] == [
        (180.0, [3.0]),
        (60.0, [1.0]),
        (60.0, [1.0]),
        (120.0, [2.0]),
    ]


def test_no_row_is_lost_where_the_look_ahead_ends() -> None:
    count = 1000
    file = opened("time,grid_w\n" + "".join(f"2026-06-01T12:00:{i % 60:02}.{i:06}Z,{i}\n" for i in range(count)))
    assert [told for _, told in values(file, ["grid_w"])] == [[float(i)] for i in range(count)]


def test_the_usual_step_of_each_signal_is_found() -> None:
    lines = [f"2026-06-01T12:{m:02}:00Z,{m},{m if m % 10 == 0 else ''},{m if m == 3 else ''}" for m in range(60)]
    file = opened("time,grid_w,tank_level_pct,pv_w\n" + "\n".join(lines))
    assert file.step_s == {"grid_w": 60.0, "tank_level_pct": 600.0, "pv_w": None}


def test_refused_cells_are_counted_and_the_first_is_named() -> None:
    file = opened(
        "time,grid_w,tank_level_pct\n"
        "2026-06-01T12:00:00Z,5,50\n"
        "2026-06-01T12:01:00Z,unavailable,150\n"
        "2026-06-01T12:02:00Z,nan,-1\n"
        "2026-06-01T12:03:00Z,inf,\n"
    )
    assert [told for _, told in values(file, file.signals)] == [[5.0, 50.0], *[[None, None]] * 3]
    assert file.refusals.count == {"grid_w": 3, "tank_level_pct": 2}
    assert file.refusals.first == {
        "grid_w": "line 3: 'unavailable' is no number",
        "tank_level_pct": "line 3: '150' is outside 0 to 110",
    }


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "day.csv: expected a first column named 'time', got an empty file"),
        ("when,grid_w\n", "day.csv: expected a first column named 'time', got 'when'"),
        (
            "time,tank_level\n",
            "day.csv: expected signal names as columns, got 'tank_level'; did you mean tank_level_pct?",
        ),
        ("time,diverted_wh_other\n", "expected signal names as columns, got 'diverted_wh_other'"),
        ("time,grid_w,\n", "expected signal names as columns, got ''"),
        ("time,grid_w,pv_w,grid_w\n", "day.csv: expected each column once, got 'grid_w' twice"),
        ("time,grid_w\n2026-06-01T12:00:00Z,1\n2026-06-01T12:01:00,1\n", "line 3: expected a time with Z or an offset"),
        ("time,grid_w\n01/06/2026 12:00,1\n", "day.csv line 2: expected a time like 2026-06-01T12:00:00Z"),
        ("time,grid_w\n,1\n", "day.csv line 2: expected a time like"),
        ("time,grid_w\n2026-06-01T12:00:00Z,1,2\n", "day.csv line 2: expected 2 cells, got 3"),
        ("time,grid_w\n2026-06-01T12:00:00Z\n", "day.csv line 2: expected 2 cells, got 1"),
        ("time,grid_w\n2026-06-01T12:00:00Z," + "1" * 140_000 + "\n", "day.csv line 2: expected CSV text"),
    ],
)
def test_what_cannot_be_read_is_said_with_its_place(tmp_path: Path, text: str, told: str) -> None:
    path = tmp_path / "day.csv"
    path.write_text(text)
    assert told in refused(path)


def test_a_bad_row_behind_the_look_ahead_is_named_too(tmp_path: Path) -> None:
    path = tmp_path / "day.csv"
    path.write_text("time,grid_w\n" + "2026-06-01T12:00:00Z,1\n" * 500 + "2026-06-01,1\n")
    assert "day.csv line 502: expected a time with Z or an offset, got '2026-06-01'" in refused(path)


def test_a_file_that_is_no_text_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "day.csv"
    path.write_bytes(b"time,grid_w\n2026-06-01T12:00:00Z,\xff\xfe\n")
    assert "expected CSV text" in refused(path)


@pytest.mark.parametrize(
    "damage",
    [
        lambda packed: packed[:-9],
        lambda packed: packed[: len(packed) // 2],
        lambda packed: packed[:60] + bytes(40) + packed[100:],
        lambda packed: packed[:-6] + bytes(6),
        lambda packed: b"time,grid_w\n",
        lambda packed: b"",
    ],
    ids=["end cut off", "half", "damaged within", "wrong check sum", "not packed", "nothing"],
)
def test_damaged_gzip_is_refused_in_words(tmp_path: Path, damage: object) -> None:
    path = tmp_path / "day.csv.gz"
    text = "time,grid_w\n" + "".join(f"2026-06-01T12:00:00Z,{i * 7919 % 1009}\n" for i in range(2000))
    path.write_bytes(damage(gzip.compress(text.encode())))  # type: ignore[operator]
    told = refused(path)
    assert "expected" in told
    assert "day.csv.gz" in told


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    told = refused(tmp_path / "day.csv")
    assert "day.csv: expected a readable file, got No such file or directory" in told


def test_a_time_that_is_cut_short_is_refused_and_not_a_traceback(tmp_path: Path) -> None:
    """The torn rows are as long as each other, and end like whole ones."""
    with pytest.raises(BrimfulError, match="expected a time with Z or an offset"):
        ordered(tmp_path / "torn.csv", ["2026-06-01,1\n", "2026-06-0Z,2\n"])
