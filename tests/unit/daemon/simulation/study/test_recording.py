"""What a study makes of a readings file: exact energies, stated treatment of what is wrong in it."""

from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from daemon.inputs.readings_file import open_readings
from daemon.simulation.study.hot_water import Wanted
from daemon.simulation.study.recording import Recording, read
from rules.model.errors import BrimfulError

WANTED = Wanted(2.0, ZoneInfo("Europe/Dublin"), 50.0)


def recorded(tmp_path: Path, text: str) -> Recording:
    path = tmp_path / "readings.csv"
    path.write_text(text)
    with open_readings(path, ["main"]) as file:
        return read(file, WANTED)


def minutes(*rows: str, head: str = "time,house_w,pv_w,drawn_wh") -> str:
    """A row a minute; None leaves one out."""
    lines = [f"2025-06-01T{i // 60:02}:{i % 60:02}:00Z,{row}" for i, row in enumerate(rows) if row != "-"]
    return "\n".join([head, *lines]) + "\n"


def test_every_row_stands_for_its_step(tmp_path: Path) -> None:
    found = recorded(tmp_path, minutes("100,50.5,0", "200,0,0", "300,1000,30"))
    assert (found.step_s, found.to_s - found.from_s) == (60, 180)
    assert (found.house_mws, found.pv_mws) == (600_000 * 60, 1_050_500 * 60)
    assert list(found.gross_mw) == [-49_500, -200_000, 700_000]
    assert list(found.need_wh) == [0.0, 30.0, 0.0]
    assert found.notes == []


def test_half_hours_are_cut_into_minutes_and_what_they_hide_is_bounded(tmp_path: Path) -> None:
    text = "time,house_w,pv_w,drawn_wh\n2025-06-01T10:00Z,2000,6000,0\n2025-06-01T10:30Z,400,0,600\n"
    found = recorded(tmp_path, text)
    assert len(found.at_s) == 60
    assert set(found.length_s) == {60}
    assert found.house_mws == 2_400_000 * 1800
    assert sum(found.need_wh) == pytest.approx(600.0)
    assert found.need_wh[0] == pytest.approx(20.0)
    assert any("2 kWh at least" in note and "3 at most" in note for note in found.notes)


def test_a_gap_is_left_out_with_what_was_drawn_in_it(tmp_path: Path) -> None:
    rows = ["100,0,0"] * 5 + ["-"] * 10 + ["100,0,160"] * 5
    found = recorded(tmp_path, minutes(*rows))
    assert len(found.at_s) == 10
    assert found.left_out_s == 600
    assert sum(found.need_wh) == pytest.approx(160.0 / 11)
    assert found.notes == ["left out, for want of readings: 0.2 h"]


def test_an_empty_cell_by_day_is_a_gap_and_at_night_no_sun(tmp_path: Path) -> None:
    found = recorded(tmp_path, minutes(*["1,5,0"] * 9, "1,,0", "1,3,0", "1,900,0", "1,,0", "1,800,0", ",800,0"))
    assert list(found.gross_mw)[8:] == [4000, -1000, 2000, 899_000, 799_000]
    assert found.left_out_s == 120
    assert any("1 empty cells between readings below 50 W taken as no sun" in note for note in found.notes)


@pytest.mark.parametrize(
    ("counter", "drawn", "said"),
    [
        ([100, 200, 300], 200, ""),
        ([900, 1000, 20, 50], 150, "fell 1 times"),
        ([900, 1000, 5, 1010], 110, "fell 1 times"),
        ([90_000, 90_100, 80_000, 80_040], 140, "fell 1 times"),
        ([0, 100, 90_000, 90_100], 200, "1 steps that no tap can bring"),
    ],
)
def test_a_counter_of_heat(tmp_path: Path, counter: list[int], drawn: float, said: str) -> None:
    found = recorded(tmp_path, minutes(*(f"100,0,{wh}" for wh in counter)))
    assert sum(found.need_wh) == pytest.approx(drawn)
    assert said in " ".join(found.notes)


def test_a_power_recorded_less_often_than_the_rows_holds_until_its_next_reading(tmp_path: Path) -> None:
    found = recorded(tmp_path, minutes("1,900,0", "1,,0", "1,,0", "1,300,0", "1,,0", "1,,0", "1,400,0"))
    assert found.pv_mws == (3 * 900_000 + 3 * 300_000 + 400_000) * 60
    assert found.left_out_s == 0


def test_litres_count_as_if_they_left_a_full_tank(tmp_path: Path) -> None:
    found = recorded(tmp_path, minutes("100,0,0", "100,0,10", head="time,house_w,pv_w,water_l"))
    assert sum(found.need_wh) == pytest.approx(10 * 1.163 * 50)
    assert "58.1 Wh" in found.notes[0]


def test_without_a_counter_a_profile_by_the_home_s_clock(tmp_path: Path) -> None:
    rows = [f"2025-06-{day:02}T{hour:02}:{minute:02}Z,100,0"
            for day in (1, 2) for hour in range(24) for minute in (0, 30)]  # fmt: skip
    found = recorded(tmp_path, "\n".join(["time,house_w,pv_w", *rows]) + "\n")
    # SAP 2012: 86 L a day, in June 0.90 of it by 33.9 K.
    a_day = 4.18 / 3.6 * 86 * 0.90 * 33.9
    needs = list(zip(found.at_s, found.need_wh, strict=True))
    assert sum(need for at_s, need in needs if at_s < found.from_s + 82_800) == pytest.approx(a_day)
    first = next(at_s for at_s, need in needs if need)
    assert (first - found.from_s) / 3600 == 6.0  # 07:00 in Dublin's summer
    assert "load profile M" in found.notes[0]


def test_the_house_is_worked_out_at_the_meter_where_it_is_not_recorded(tmp_path: Path) -> None:
    head = "time,grid_w,pv_w,diverted_w,battery_w,drawn_wh"
    found = recorded(tmp_path, minutes("-300,2000,1000,200,0", "500,0,0,0,0", head=head))
    # 2000 W of sun less 300 sold, 1000 diverted and 200 into the battery.
    assert found.house_mws == (500_000 + 500_000) * 60
    assert list(found.gross_mw) == [1_300_000, -500_000]
    assert "house_w worked out" in found.notes[0]


def test_half_hours_of_a_meter_keep_what_was_bought_and_what_was_sold(tmp_path: Path) -> None:
    text = "time,import_wh,export_wh\n" + "".join(
        f"2025-06-01T{10 + number // 2}:{number % 2 * 30:02}Z,{bought},{sold}\n"
        for number, (bought, sold) in enumerate([(1000, 500), (1300, 500), (1400, 800), (1400, 1700), (1400, 1700)])
    )
    found = recorded(tmp_path, text)
    assert len(found.at_s) == 120
    assert found.left_out_s == 1800  # nothing is known of the time after the last reading
    assert found.house_mws / 3.6e6 == pytest.approx(400, abs=0.001)
    assert found.pv_mws / 3.6e6 == pytest.approx(1200, abs=0.001)
    kwh = [gross * 60 / 3.6e9 for gross in found.gross_mw]
    assert sum(each for each in kwh if each > 0) == pytest.approx(1.2, abs=1e-6)
    assert sum(each for each in kwh if each < 0) == pytest.approx(-0.4, abs=1e-6)
    # In the second half hour 100 Wh were bought and 300 sold: a quarter of 30 minutes, 8, and the rest.
    assert [gross > 0 for gross in found.gross_mw[30:60]] == [False] * 8 + [True] * 22
    assert "import_wh, export_wh" in found.notes[0]


def test_a_load_that_stands_still_for_hours_is_remarked_on(tmp_path: Path) -> None:
    rows = [f"{100 + i % 7},0,0" for i in range(500)] + ["250,0,0"] * 400
    assert any("250 W without a change for 6.7 h" in note for note in recorded(tmp_path, minutes(*rows)).notes)


def test_rows_of_one_instant_and_cells_that_are_no_reading(tmp_path: Path) -> None:
    text = minutes("100,0,0", "100,x,0", "100,0,0") + "2025-06-01T00:02:00Z,5,5,5\n"
    notes = " ".join(recorded(tmp_path, text).notes)
    assert "pv_w: one cell refused: line 3: 'x' is no reading" in notes
    assert "one row passed over: not later" in notes


@pytest.mark.parametrize(
    ("text", "cause"),
    [
        ("time,house_w,drawn_wh\n2025-06-01T10:00Z,1,1\n", "expected a column pv_w"),
        ("time,pv_w,drawn_wh\n2025-06-01T10:00Z,1,1\n", "expected a column house_w"),
        (minutes("1,1,1"), "expected at least two rows, got 1"),
        (minutes(",1,1", ",1,1"), "expected rows with house and sun"),
        ("time,house_w,sun\n", "expected signal names as columns"),
    ],
)
def test_what_cannot_be_studied(tmp_path: Path, text: str, cause: str) -> None:
    with pytest.raises(BrimfulError) as refused:
        recorded(tmp_path, text)
    assert cause in str(refused.value)
    assert "readings.csv" in str(refused.value)
