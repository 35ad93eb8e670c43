"""The night game's files, accounts, rivals and command."""

import csv
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from rules.model.errors import BrimfulError
from rules.planning.policy import HalfHour, Intake
from rules.planning.store import Store
from tests.bench import night_game
from tests.bench.night_case import read_case
from tests.bench.night_game import meaningful_ratio, play_plan
from tests.bench.night_knowing import KnowingPlanner, Known
from tests.bench.night_rivals import Account, fixed, foresight

START = datetime(2024, 3, 30, 23, tzinfo=UTC)
"""Midnight in Paris before the night in which the clock leaves out an hour."""
SETTINGS = {
    "readings": "home.csv",
    "timezone": "Europe/Paris",
    "capacity_wh": 4000,
    "power_w": 2000,
    "loss_per_half_hour": 0.0,
    "boiler_price": 0.5,
    "start_wh": 1000,
}
Rows = list[dict[str, object]]


def made_rows(days: int = 2) -> Rows:
    """Cheap until 6 UTC; sun of 800 Wh at noon; a draw of 1500 Wh at 18:00 UTC."""
    rows: Rows = []
    for at in range(48 * days):
        start = START + timedelta(minutes=30 * at)
        rows.append(
            {
                "time": f"{start:%Y-%m-%dT%H:%M:%SZ}",
                "surplus_wh": 800 if start.hour == 12 else 0,
                "drawn_wh": 1500 if (start.hour, start.minute) == (18, 0) else 0,
                "import_price": 0.1 if start.hour < 6 else 0.3,
                "export_price": 0.05,
            }
        )
    return rows


def written(folder: Path, rows: Rows, name: str = "home", **changed: object) -> Path:
    with (folder / f"{name}.csv").open("w", newline="", encoding="utf-8") as file:
        out = csv.DictWriter(file, list(rows[0]))
        out.writeheader()
        out.writerows(rows)
    path = folder / f"{name}.toml"
    values = {**SETTINGS, "readings": f"{name}.csv", **changed}
    path.write_text("".join(f"{key} = {value!r}\n" for key, value in values.items() if value is not None))
    return path


def test_a_case_is_read_with_its_local_days(tmp_path: Path) -> None:
    case = read_case(written(tmp_path, made_rows()))
    assert (case.name, case.played, case.missing, case.start_wh) == ("home", 96, 0, 1000.0)
    # 31 March 2024 has 46 half hours in Paris: 02:00 and 02:30 are left out.
    first_day = [row for row in case.rows if row.day == case.rows[0].day]
    assert [row.slot for row in first_day[:6]] == [0, 1, 2, 3, 6, 7]
    assert len(first_day) == 46
    assert case.end_price == 0.1


def test_rows_may_stand_in_any_order(tmp_path: Path) -> None:
    rows = made_rows()
    assert read_case(written(tmp_path, rows[::-1])).rows == read_case(written(tmp_path, rows, "other")).rows


def test_gaps_count_as_nothing_and_are_counted(tmp_path: Path) -> None:
    rows = made_rows()
    rows[3]["drawn_wh"] = ""
    del rows[50:55]
    case = read_case(written(tmp_path, rows))
    assert (case.played, case.missing) == (96, 6)
    assert case.rows[3].drawn_wh is None
    assert case.rows[52].surplus_wh is None
    assert case.rows[52].import_price == case.rows[4].import_price


def test_prices_without_readings_at_the_end_are_known_but_not_played(tmp_path: Path) -> None:
    rows = made_rows()
    for row in rows[60:]:
        row["surplus_wh"] = row["drawn_wh"] = ""
    case = read_case(written(tmp_path, rows))
    assert (case.played, len(case.rows), case.missing) == (60, 96, 0)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"boiler_price": None}, "boiler_price: expected a number, got None"),
        ({"capacity_wh": "big"}, "capacity_wh: expected a number, got 'big'"),
        ({"capacity_wh": -1}, "capacity_wh: expected at least 0"),
        ({"loss_per_half_hour": 1.5}, "loss_per_half_hour: expected from 0 to below 1"),
        ({"start_wh": 9000}, "start_wh: expected 0 to the capacity"),
        ({"timezone": "Mars/Base"}, "timezone: expected an IANA zone"),
        ({"readings": "none.csv"}, "none.csv: expected a CSV file"),
        ({"readings": None}, "readings: expected the name of a CSV file"),
    ],
)
def test_a_case_that_cannot_be_played_is_refused_by_name(
    tmp_path: Path, changed: dict[str, object], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, made_rows())
    values = {**SETTINGS, **changed}
    path.write_text("".join(f"{key} = {value!r}\n" for key, value in values.items() if value is not None))
    with pytest.raises(BrimfulError, match=said):
        read_case(path)
    assert night_game.main([str(path)]) == 2
    assert said.split(":")[0] in capsys.readouterr().err


@pytest.mark.parametrize(
    ("column", "cell", "said"),
    [
        ("drawn_wh", "much", "line 7: expected drawn_wh as a number from 0, got 'much'"),
        ("surplus_wh", "-3", "line 7: expected surplus_wh as a number from 0, got '-3'"),
        ("import_price", "", "expected an import and an export price, got an empty cell"),
        ("time", "2024-03-31T01:10:00Z", "line 7: expected the start of a half hour"),
        ("time", "soon", "line 7: expected a time such as"),
        ("time", "2024-03-30T23:00:00Z", "line 7: expected each half hour once"),
    ],
)
def test_a_cell_that_cannot_be_is_refused_with_its_line(tmp_path: Path, column: str, cell: str, said: str) -> None:
    rows = made_rows()
    rows[5][column] = cell
    with pytest.raises(BrimfulError, match=said):
        read_case(written(tmp_path, rows))


def test_a_column_that_lacks_is_named(tmp_path: Path) -> None:
    rows = [{key: value for key, value in row.items() if key != "drawn_wh"} for row in made_rows()]
    with pytest.raises(BrimfulError, match="drawn_wh lacks"):
        read_case(written(tmp_path, rows))


def test_the_account_serves_loses_buys_and_settles_in_that_order(tmp_path: Path) -> None:
    rows = made_rows(1)
    rows[0]["drawn_wh"] = 1400
    case = read_case(written(tmp_path, rows, loss_per_half_hour=0.1))
    account = Account(case)
    account.serve(case.rows[0])  # 1000 - 100 lost; 900 served; 500 bought at 0.5
    assert (account.stock_wh, account.bought_wh, account.cost) == pytest.approx((0.0, 500.0, 0.25))
    account.put(case.rows[0], 0.0, 400.0)  # at 0.3
    assert account.cost == pytest.approx(0.37)
    # 600 Wh lack at the end, at the cheapest import price of 0.1.
    assert account.settled == pytest.approx(0.43)
    for sun_wh, grid_wh in ((1.0, 0.0), (0.0, 1001.0), (0.0, -1.0)):
        with pytest.raises(ValueError, match="cannot be put in"):
            account.put(case.rows[0], sun_wh, grid_wh)


def test_foresight_worked_by_hand(tmp_path: Path) -> None:
    """One local day, from 1000 Wh: 1600 Wh of sun at 0.05 serve the draw of 1500 Wh; 100 Wh more are credited at 0.1.

    The night's heat at 0.1 is worth no more than the credit, and export at 0.05 less.
    """
    case = read_case(written(tmp_path, made_rows(1)))
    assert foresight(case) == pytest.approx(1.6 * 0.05 - 0.1 * 0.1)


def test_foresight_where_no_play_can_end_as_full_as_it_began(tmp_path: Path) -> None:
    rows = made_rows(1)
    for row in rows:
        row["surplus_wh"] = 0
    case = read_case(written(tmp_path, rows, power_w=0, loss_per_half_hour=0.01))
    kept_wh = 1000 * 0.99**39  # at the draw at 18:00, in the 39th half hour
    assert foresight(case) == pytest.approx((1.5 - kept_wh / 1000) * 0.5 + 1.0 * 0.1)


def test_fixed_settings_worked_by_hand(tmp_path: Path) -> None:
    """Most of the cheapest quarter of the day lies in the night. Level 100 % buys 3000 Wh before the sun comes."""
    case = read_case(written(tmp_path, made_rows(1)))
    costs = fixed(case)
    assert len(costs) == 22
    assert costs[0, True] == costs[0, False] == pytest.approx(1.6 * 0.05 - 0.1 * 0.1)
    assert costs[100, True] == pytest.approx(3.0 * 0.1 - 1.5 * 0.1)  # no room for the sun; 1500 Wh above the start
    assert min(costs.values()) >= foresight(case) - 1e-9


def test_diverting_only_when_worth_it_exports_above_the_cheapest_import(tmp_path: Path) -> None:
    rows = made_rows(1)
    for row in rows:
        row["export_price"] = 0.2
    costs = fixed(read_case(written(tmp_path, rows)))
    # Always: 1600 Wh at 0.2. When worth it: 500 Wh missing at 0.5, 1000 Wh below the start at 0.1.
    assert costs[0, True] == pytest.approx(1.6 * 0.2 - 0.1 * 0.1)
    assert costs[0, False] == pytest.approx(0.5 * 0.5 + 1.0 * 0.1)


def test_the_command_plays_and_says_so_in_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = written(tmp_path, made_rows(3))
    assert night_game.main([str(path), "--json", "--decisions", str(tmp_path / "out")]) == 0
    (result,) = json.loads(capsys.readouterr().out).items()
    assert result[0] == "home"
    assert {"plan", "foresight", "fixed", "always", "bought_kwh", "seconds", "decisions_sha256"} <= set(result[1])
    assert result[1]["foresight"] - 1e-9 <= result[1]["fixed"] <= result[1]["always"]
    assert len((tmp_path / "out" / "home.csv").read_text().splitlines()) == 1 + 3 * 48


def test_the_planner_is_given_prices_to_the_end_of_tomorrow_and_no_further(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    given = []

    class Listener:
        def __init__(self, store: Store) -> None:
            self.store = store

        def decide(self, ahead: list[HalfHour], *_: object) -> Intake:
            given.append((ahead[0].day, ahead[-1].day, ahead[-1].slot))
            return Intake(0.0, 0.0)

    monkeypatch.setattr(night_game, "Planner", Listener)
    case = read_case(written(tmp_path, made_rows(4)))
    play_plan(case)
    first, last = case.rows[0].day, case.rows[-1].day
    assert [day for day, _, _ in given] == [row.day for row in case.rows]
    whole = {(day, end_day, end_slot) for day, end_day, end_slot in given if day < last - 1}
    assert whole == {(day, day + 1, 47) for day in range(first, last - 1)}
    assert all(end_day <= day + 1 for day, end_day, _ in given)


def test_until_plays_the_same_decisions_so_far(tmp_path: Path) -> None:
    path = written(tmp_path, made_rows(4))
    whole = play_plan(read_case(path))[1]
    until = START + timedelta(days=2, hours=7)
    so_far = play_plan(read_case(path, until))[1]
    assert so_far == whole[: 2 * 48 + 14]
    # The file cut there, with the prices that were known by then, gives them too.
    rows = made_rows(4)
    for row in rows[2 * 48 + 14 :]:
        row["surplus_wh"] = row["drawn_wh"] = ""
    assert play_plan(read_case(written(tmp_path, rows, "cut")))[1] == so_far


def test_cases_of_one_name_are_told_apart_by_their_paths(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    paths = []
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        paths.append(str(written(tmp_path / name, made_rows(1))))
    assert night_game.main([*paths, "--json"]) == 0
    assert set(json.loads(capsys.readouterr().out)) == set(paths)


def test_a_ratio_to_next_to_nothing_is_none() -> None:
    assert meaningful_ratio(5.0, 4.0, 100.0) == 1.25
    assert meaningful_ratio(5.0, 0.5, 100.0) is None
    assert meaningful_ratio(5.0, -4.0, 100.0) is None


def test_an_until_that_is_no_time_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert night_game.main(["none.toml", "--until", "later"]) == 2
    assert "--until: expected a time" in capsys.readouterr().err


def test_knowing_the_draws_costs_less_than_not_knowing_them(tmp_path: Path) -> None:
    """Baths on some evenings only, for which heat is bought at night: known, nothing is bought for the others."""
    rows = made_rows(5)
    for at, row in enumerate(rows):
        if row["drawn_wh"] and at // 48 % 2:
            row["drawn_wh"] = 0
    case = read_case(written(tmp_path, rows, loss_per_half_hour=0.01))
    without, everything = (
        play_plan(case, KnowingPlanner(case, known))[0].settled for known in (Known(), Known(sun_days=3, draw_days=3))
    )
    assert without == play_plan(case)[0].settled
    assert foresight(case) <= everything + 0.01
    assert everything < without - 0.1
