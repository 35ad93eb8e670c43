"""The wall clock is set, stands in 1970, or the machine sleeps: control does not care, no Wh is lost or doubled.

Both clocks are moved by hand; loop, rules, books and ledger are the daemon's own.
"""

from collections import Counter
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from accounting.books.booking import Books, BooksSettings, HeaterBooks
from accounting.model.entry import Entry
from rules.model.orders import Order
from tests.support.live_house import Hands, LiveHouse, books_of
from tests.support.rules_case import settings

NOON_S = datetime(2026, 6, 1, 12, tzinfo=UTC).timestamp()
TAKES_W = 2400.0
STEP_S = 30.0


class Sunny:
    """A house in the sun, whose heater takes 2,400 W while it is permitted; its counter goes on whoever listens."""

    def __init__(self, house: LiveHouse, wh: float = 100_000.0) -> None:
        self.house = house
        self.wh = wh
        self.first_wh = wh

    def live(self, seconds: float, level: float = 50.0) -> None:
        end_s = self.house.clock.now().mono_s + seconds
        while self.house.clock.now().mono_s < end_s:
            taking = self.house.order is Order.SURPLUS
            self.wh += TAKES_W * STEP_S / 3600 * taking
            surplus_w = 2500.0 - TAKES_W * taking
            self.house.live(STEP_S, grid_w=-surplus_w, tank_level_pct=level, diverted_wh=self.wh)

    @property
    def taken_wh(self) -> int:
        return round(self.wh) - round(self.first_wh)


def test_set_back_an_hour_control_goes_on_and_the_hour_twice_adds_up(tmp_path: Path) -> None:
    clock = Hands(NOON_S)
    with LiveHouse(tmp_path, clock) as house:
        sunny = Sunny(house)
        sunny.live(3 * 3600)
        orders = len(house.line.told)
        refreshed = len(house.line.refreshed)
        clock.set(-3600)
        sunny.live(2 * 3600)
        assert len(house.line.told) == orders, "nothing told to the heater has to do with the wall clock"
        assert house.order is Order.SURPLUS
        # The timetable goes on too: orders told again each minute, all through the hour that came twice.
        assert len(house.line.refreshed) - refreshed >= 115
        sunny.live(600, level=97.0)
        assert house.order is Order.WITHHOLD
    settled, total_wh, events = books_of(tmp_path / "house.sqlite")
    assert total_wh == sunny.taken_wh
    assert [event.sentence for event in events if event.name == "clock"] == ["the clock was set back by 1 h"]
    assert not [event for event in events if event.kind == "quarantine"]
    each = Counter((entry.start_s, entry.heater) for entry in settled)
    assert set(each.values()) == {1}
    twice = [entry for entry in settled if entry.diverted_wh > TAKES_W * 0.75]
    assert len(twice) == 2, "the half hours that came twice hold the energy of both"
    assert all(entry.measured_s == 1800 for entry in twice)


def test_set_back_with_a_heater_that_tells_its_power_alone(tmp_path: Path) -> None:
    clock = Hands(NOON_S)
    with LiveHouse(tmp_path, clock, power=True) as house:
        for _ in range(240):
            house.live(STEP_S, grid_w=-100.0, tank_level_pct=50.0, diverted_w=TAKES_W)
        clock.set(-3600)
        for _ in range(240):
            house.live(STEP_S, grid_w=-100.0, tank_level_pct=50.0, diverted_w=TAKES_W)
    _, total_wh, _ = books_of(tmp_path / "house.sqlite")
    # Held from the first reading to the last, 479 steps; the interval in progress may lack a fraction of a Wh.
    assert total_wh == pytest.approx(TAKES_W * 479 * STEP_S / 3600, abs=1)


def test_set_forward_a_day_the_energy_between_is_kept_once_and_called_estimated(tmp_path: Path) -> None:
    clock = Hands(NOON_S)
    with LiveHouse(tmp_path, clock) as house:
        sunny = Sunny(house)
        sunny.live(3600)
        orders = len(house.line.told)
        clock.set(86_400)
        sunny.live(3600)
        assert len(house.line.told) == orders
    settled, total_wh, _ = books_of(tmp_path / "house.sqlite")
    assert total_wh == sunny.taken_wh
    assert sum(entry.estimated_wh for entry in settled) == 20, "what the one step took that spans the day"


def test_set_forward_300_days_nothing_is_booked_there_and_an_alarm_says_why(tmp_path: Path) -> None:
    clock = Hands(NOON_S)
    with LiveHouse(tmp_path, clock) as house:
        sunny = Sunny(house)
        sunny.live(3600)
        clock.set(300 * 86_400)
        sunny.live(3600)
        assert house.order is Order.SURPLUS, "control does not need the date"
        assert "300 days" in house.controller.dating.fault
        assert [alarm.name for alarm in house.controller.alarms] == ["clock"]
        sunny.live(600, level=97.0)
        clock.set(-300 * 86_400)
        sunny.live(1800)
        assert not house.controller.dating.fault
        assert house.controller.alarms == ()
    settled, total_wh, events = books_of(tmp_path / "house.sqlite")
    assert total_wh == sunny.taken_wh
    assert max(entry.start_s for entry in settled) < NOON_S + 3 * 3600
    assert max(event.at_s for event in events) < NOON_S + 3 * 3600, "nor is an event dated there"
    with LiveHouse(tmp_path, clock) as house:
        decisions = house.ledger.decisions(0, float("inf"))
    assert max(row.at_s for row in decisions) < NOON_S + 3 * 3600


def test_1970_at_boot_it_controls_at_once_and_books_when_it_knows_the_time(tmp_path: Path) -> None:
    clock = Hands(NOON_S)
    with LiveHouse(tmp_path, clock) as house:
        sunny = Sunny(house)
        sunny.live(3600)
    boot = Hands(20.0, mono_s=20.0)
    wh_at_boot = sunny.wh
    with LiveHouse(tmp_path, boot) as house:
        again = Sunny(house, sunny.wh)
        again.live(1800)
        assert house.order is Order.SURPLUS, "control does not need the date"
        assert house.controller.dating.fault
        assert not house.engine.dated
        boot.set(NOON_S + 7200 - boot.now().utc_s)
        again.live(1800)
        assert not house.controller.dating.fault
    settled, total_wh, events = books_of(tmp_path / "house.sqlite")
    assert total_wh == round(again.wh) - round(sunny.first_wh)
    assert again.wh > wh_at_boot
    assert min(entry.start_s for entry in settled) >= NOON_S - 1800
    assert min(event.at_s for event in events) >= NOON_S
    with LiveHouse(tmp_path, boot) as house:
        decisions = house.ledger.decisions(0, float("inf"))
    assert decisions
    assert min(row.at_s for row in decisions) >= NOON_S


def test_a_start_behind_the_books_waits_for_the_clock_and_then_believes_it(tmp_path: Path) -> None:
    """A computer without a clock of its own wakes at the hour it was switched off, or one set ahead was put right."""
    clock = Hands(NOON_S)
    with LiveHouse(tmp_path, clock) as house:
        sunny = Sunny(house)
        sunny.live(4 * 3600)
    behind = Hands(NOON_S + 3 * 3600, mono_s=30.0)
    with LiveHouse(tmp_path, behind) as house:
        again = Sunny(house, sunny.wh)
        again.live(300)
        assert house.controller.dating.fault
        again.live(900)
        assert not house.controller.dating.fault, "after ten minutes it is believed"
        again.live(1800)
    settled, total_wh, _ = books_of(tmp_path / "house.sqlite")
    assert total_wh == round(again.wh) - round(sunny.first_wh)
    assert set(Counter(entry.start_s for entry in settled).values()) == {1}


def test_a_sleep_makes_all_that_was_known_old(tmp_path: Path) -> None:
    """The forward clock goes on while the machine sleeps, so the level it went to sleep with is no fresh one."""
    clock = Hands(NOON_S)
    with LiveHouse(tmp_path, clock) as house:
        sunny = Sunny(house)
        sunny.live(3600)
        assert house.order is Order.SURPLUS
        clock.go_on(8 * 3600)
        house.settle()
        assert house.order is Order.WITHHOLD
        assert house.engine.decision is not None
        assert house.engine.decision.lead.guard == "fresh"
        sunny.live(600)
        assert house.order is Order.SURPLUS
    _, total_wh, _ = books_of(tmp_path / "house.sqlite")
    assert total_wh == sunny.taken_wh


@pytest.mark.parametrize(
    ("day", "half_hours"), [("2025-03-30", 46), ("2025-10-26", 50), ("2026-03-29", 46), ("2026-10-25", 50)]
)
def test_both_clock_changes_in_a_live_run(tmp_path: Path, day: str, half_hours: int) -> None:
    """Half hours of a local day, London: 46 on the last Sunday of March, 50 on October's (Directive 2000/84/EC;
    counts by the tz database)."""
    zone = ZoneInfo("Europe/London")
    midnight = datetime.fromisoformat(day).replace(tzinfo=zone)
    start_s = midnight.timestamp()
    seconds = half_hours * 1800
    clock = Hands(start_s - STEP_S)
    rules = settings(
        stale_after_s={"grid_w": 600.0, "tank_level_pct": 600.0, "diverted_wh": 600.0}, timezone="Europe/London"
    )
    with LiveHouse(tmp_path, clock, rules=rules, earliest_s=0.0) as house:
        wh = 0
        for _ in range(seconds // 300 + 2):
            house.live(300 if wh else STEP_S, grid_w=-2500.0, tank_level_pct=50.0, diverted_wh=float(wh))
            wh += 100
        house.live(600, grid_w=-2500.0, tank_level_pct=50.0, diverted_wh=float(wh))
        assert house.order is Order.SURPLUS
        assert len(house.line.told) == 2, "withheld at the start, then taking: no clock change moved the heater"
    settled, total_wh, _ = books_of(tmp_path / "house.sqlite")
    that_day = [e for e in settled if datetime.fromtimestamp(e.start_s, zone).date() == midnight.date()]
    assert len(that_day) == half_hours
    assert sum(entry.diverted_wh for entry in that_day) == half_hours * 600
    assert total_wh == wh


@given(
    steps=st.lists(
        st.tuples(st.integers(1, 1200), st.integers(0, 500), st.sampled_from((0, 0, 0, 0, -60, -3600, -9000))),
        max_size=60,
    )
)
def test_whenever_the_clock_is_set_back_the_books_have_what_the_counter_shows(
    steps: list[tuple[int, int, int]],
) -> None:
    """Settled entries are kept as the ledger keeps them: the newest version of each interval counts."""
    heater = HeaterBooks("main", 3000.0, counter="diverted_wh", resolution_wh=500.0)
    kept_by = BooksSettings((heater,), late_s=60.0)
    books = Books(kept_by)
    ledger: dict[int, Entry] = {}
    utc_s, wh = NOON_S, 0
    books.note("diverted_wh", utc_s, wh)
    for seconds, more_wh, set_s in steps:
        utc_s += seconds
        wh += more_wh * seconds // 1200
        books.note("diverted_wh", utc_s, wh)
        ledger |= {entry.start_s: entry for entry in books.settle(utc_s)}
        if set_s:
            utc_s += set_s
            from_s = books.newest_s + set_s
            books.set_back(-set_s, [entry for entry in ledger.values() if entry.end_s > from_s])
            books = Books(kept_by, books.state())
    # What revises a settled interval waits for its settlement: let the time that came twice be over.
    for _ in range(8 * len(steps)):
        utc_s += 1800
        books.note("diverted_wh", utc_s, wh)
    ledger |= {entry.start_s: entry for entry in books.settle(utc_s)}
    open_wh = sum(entry.diverted_wh for entry in books.open_entries(utc_s))
    aside_wh = sum(item.wh for item in books.quarantined())
    assert sum(entry.diverted_wh for entry in ledger.values()) + open_wh + aside_wh == wh
