"""A changed rule tried on the tape: what it tells, how it is bounded, and that it writes nothing."""

import threading
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from accounting.ledger import Batch, LedgerWriter
from accounting.ledger.records import DecisionRow
from accounting.ledger.tape import Row, pack
from daemon.assembly.endpoints import facts
from daemon.config.edit import preview_rule
from daemon.config.load import load
from daemon.config.model import Home
from daemon.simulation.backtest import Times, Trial, compare, happened
from daemon.web.page.trials import KEPT, Trials
from rules.model.errors import BrimfulError
from rules.model.orders import Order
from tests.support.homes import SMALL
from tests.unit.daemon.config.test_displaces_from_past import WHOLE

END_S = 1_781_092_800  # 2026-06-10T12:00:00Z
WITHIN_S = 60.0


def rising(minutes: int) -> list[Row]:
    """A tank that fills evenly from 50 % to 100 % in strong sun."""
    start_s = END_S - minutes * 60
    return [
        (
            start_s + 60 * minute,
            {"grid_w": -2500.0, "tank_level_pct": 50 + 50 * minute / minutes, "diverted_wh": 1000.0 + 30 * minute},
        )
        for minute in range(minutes)
    ]


@pytest.fixture
def hut(tmp_path: Path) -> Home:
    file = tmp_path / "home.toml"
    file.write_text(SMALL + "[rules.full]\nstop_at_pct = 90   # by level\n[ledger]\npath = 'hut.sqlite'\n")
    return load(file)


def record(home: Home, rows: list[Row], decisions: Sequence[DecisionRow] = ()) -> None:
    with LedgerWriter.open(home.path_of(home.ledger.path), facts(home)) as ledger:
        ledger.commit(Batch(END_S, tape=pack(rows), decisions=tuple(decisions)))


def test_an_earlier_stop_moves_the_time_from_surplus_to_withheld(hut: Home) -> None:
    after = preview_rule(hut.file, "full", {"stop_at_pct": "70"}).home
    told: list[float] = []
    found = compare(hut, after, rising(500), told.append)
    # By hand: 1 % in ten minutes; 90 % is reached after 400 of the 500, 70 % after 200.
    before, then = found.before.by_rule_s["full"] / 60, found.after.by_rule_s["full"] / 60
    assert (before, then) == pytest.approx((99, 299), abs=1)
    moved = found.before.by_order_s["surplus"] - found.after.by_order_s["surplus"]
    assert moved == found.after.by_order_s["withhold"] - found.before.by_order_s["withhold"] == (then - before) * 60
    assert sum(found.before.by_order_s.values()) == sum(found.after.by_order_s.values()) == 499 * 60
    assert found.minutes == 500
    assert told == sorted(told)
    assert 0 <= told[0] < 0.5 < told[-1] < 1


def decision(at_s: float, order: Order, guard: str) -> DecisionRow:
    return DecisionRow(at_s, "main", order, None, guard, "as it was")


def test_what_was_is_what_the_ledger_has_and_not_what_a_replay_of_minutes_makes_of_it(hut: Home) -> None:
    """A level of 90 % that lasted for seconds stopped the heater; the tape's minutes never show it."""
    start_s = END_S - 30 * 60
    rows = [(start_s + 60 * n, {"grid_w": -2500.0, "tank_level_pct": 60.0, "diverted_wh": 30.0 * n}) for n in range(30)]
    ledger = [
        decision(start_s - 500, Order.SURPLUS, "surplus"),
        decision(start_s + 615, Order.WITHHOLD, "full"),
        decision(start_s + 1215, Order.SURPLUS, "surplus"),
    ]
    record(hut, rows, ledger)
    trial = Trial(hut, hut.file.read_bytes(), END_S)
    assert trial.wait(WITHIN_S)
    found = trial.outcome
    assert found is not None
    assert found.was == Times(2, {"surplus": 615.0 + 525.0, "withhold": 600.0}, {"surplus": 1140.0, "full": 600.0})
    assert "full" not in found.before.by_rule_s


def test_of_several_heaters_the_leading_one_counts() -> None:
    rows = [
        decision(0.0, Order.WITHHOLD, "full"),
        replace(decision(0.0, Order.WITHHOLD, "surplus"), heater="upper"),
        replace(decision(60.0, Order.SURPLUS, "surplus"), heater="upper"),
    ]
    assert happened(rows, 0.0, 100.0, ["main", "upper"]).by_rule_s == {"full": 60.0, "surplus": 40.0}
    assert happened([], 0.0, 100.0, ["main"]) == Times(0, {}, {})


def test_the_same_rule_makes_no_difference(hut: Home) -> None:
    found = compare(hut, hut, rising(60))
    assert found.before == found.after


def test_in_a_process_of_its_own_it_tells_the_same_and_changes_nothing(hut: Home) -> None:
    rows = rising(500)
    record(hut, rows)
    change = preview_rule(hut.file, "full", {"stop_at_pct": "70"})
    content, ledger = hut.file.read_bytes(), hut.path_of(hut.ledger.path).read_bytes()
    trial = Trial(hut, change.content, END_S)
    assert trial.wait(WITHIN_S)
    assert trial.fault == ""
    assert trial.done == 1.0
    assert trial.outcome == compare(hut, change.home, rows)
    assert (hut.file.read_bytes(), hut.path_of(hut.ledger.path).read_bytes()) == (content, ledger)


def test_only_the_last_thirty_days_are_replayed(hut: Home) -> None:
    old = [(at_s - 31 * 86_400, values) for at_s, values in rising(60)]
    record(hut, [*old, *rising(30)])
    trial = Trial(hut, hut.file.read_bytes(), END_S)
    assert trial.wait(WITHIN_S)
    assert trial.outcome is not None
    assert trial.outcome.minutes == 30


def test_without_a_tape_it_says_so(hut: Home) -> None:
    record(hut, rising(1))
    trial = Trial(hut, hut.file.read_bytes(), END_S)
    assert trial.wait(WITHIN_S)
    assert trial.fault == "tape: expected recorded minutes of the last 30 days, got none"
    with pytest.raises(BrimfulError, match="tape"):
        compare(hut, hut, [])


def test_without_a_ledger_it_says_so(hut: Home) -> None:
    trial = Trial(hut, hut.file.read_bytes(), END_S)
    assert trial.wait(WITHIN_S)
    assert "hut.sqlite" in trial.fault


def test_it_does_not_go_on_for_ever(hut: Home) -> None:
    record(hut, rising(500))
    trial = Trial(hut, hut.file.read_bytes(), END_S, longest_s=0.01)
    assert trial.wait(WITHIN_S)
    assert trial.fault == "it took longer than 0.01 s and was ended"
    assert trial.outcome is None


def test_one_is_under_way_at_a_time_and_few_are_kept(hut: Home) -> None:
    record(hut, rising(500))
    change = preview_rule(hut.file, "full", {"stop_at_pct": "70"})
    trials = Trials()
    names = [trials.begin(hut, change, {"stop_at_pct": "70"}, (), END_S) for _ in range(KEPT + 2)]
    kept = [tried for name in names if (tried := trials.find(name)) is not None]
    assert len(kept) == KEPT
    for tried in kept:
        assert tried.trial.wait(WITHIN_S)
    assert [tried.trial.fault for tried in kept[:-1]] == ["it was stopped"] * (KEPT - 1)
    assert kept[-1].trial.outcome is not None
    for thread in threading.enumerate():
        if thread.name == "trial":
            thread.join(WITHIN_S)
            assert not thread.is_alive()


def test_a_trial_goes_by_the_homes_own_past(tmp_path: Path) -> None:
    """Heat of the boiler alone, at 10 cents, is worth less than the export; half and half with the grid's, more."""
    file = tmp_path / "home.toml"
    sell = '[tariffs.sell]\ndirection = "export"\n[[tariffs.sell.periods]]\nfrom = 2020-01-01\n'
    sell += 'bands = [{ name = "all", price = 0.12 }]\n[rules.worth]\nenabled = true\n'
    file.write_text(WHOLE + sell)
    home = load(file)

    class Boiler:
        """A June in which nothing else made heat."""

        def tank_span(self) -> tuple[int, int] | None:
            return END_S - 400 * 86_400, END_S - 330 * 86_400

        def tank_heat(self, from_s: int, to_s: int) -> tuple[int, dict[str, int]]:
            return to_s - from_s, {"boiler": 50_000}

    stated, own = (compare(home, home, rising(60), past=past).before.by_rule_s for past in (None, Boiler()))
    assert "worth" not in stated
    assert own["worth"] > 50 * 60
