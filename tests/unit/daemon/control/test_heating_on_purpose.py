"""Weeks without sun, in the tank's model: the engine's own plan makes the whole tank hot, at night, once a week.

The tank: 150 L of 10 layers with the element in the lowest, sensors in the 2nd and 9th; 60 L are drawn each morning
while somebody is at home.
"""

from dataclasses import dataclass, field, replace
from datetime import date, time
from fractions import Fraction
from typing import Any

from accounting.books.booking import Books, BooksSettings, HeaterBooks
from accounting.pricing.bands import Band, Period
from accounting.pricing.tariffs import Tariff
from daemon.control.engine import Engine
from daemon.control.signal_state import Board, Wiring
from daemon.recording.memory_codec import read, written
from rules.alarms import Watched, watch
from rules.model.memory import HotRecord, Memory, Planned, PlannedRun
from rules.model.orders import Order
from rules.model.reading import Moment, Reading
from rules.model.settings import Away, Full, Heater, Hygiene, Settings
from rules.model.snapshot import HeatingTimes
from rules.tank.cylinder import Cylinder, step, stored_wh
from rules.tank.heating_up import heat_up_s
from tests.support.rules_case import START_UTC_S, settings

STEP_S, HOUR_S, DAY_S = 300.0, 3600.0, 86_400.0
MIDNIGHT_S = START_UTC_S - 12 * HOUR_S
NIGHT = Band("night", Fraction(1, 10), time(0), time(7))
TARIFF = Tariff("import", (Period(date(2020, 1, 1), None, (NIGHT, Band("day", Fraction(3, 10)))),), "UTC")
STALE_AFTER_S = dict.fromkeys(("grid_w", "tank_level_pct", "tank_top_c", "tank_bottom_c", "diverted_w"), 900.0)
WIRING = Wiring(("grid_w", -1.0), True, ("diverted_w",), (None,), None, None, 10.0, 65.0)
TANK = Cylinder(150.0, 10, 1.5)
FULL_WH = stored_wh(TANK, [65.0] * 10, 10.0)
RULES = settings(
    heaters=(Heater("main", "gate", 3000.0, 100.0, can_heat=True),),
    stale_after_s=STALE_AFTER_S,
    temperatures=("tank_top_c", "tank_bottom_c"),
    hygiene=Hygiene("main", need_s=heat_up_s(150.0, 10.0, 60.0, 3000.0, 60.0) + 1920.0),
    timezone="UTC",
)


def engine(rules: Settings = RULES, memory: Memory | None = None) -> Engine:
    books = Books(BooksSettings((HeaterBooks("main", 3000.0, power="diverted_w"),), imports=TARIFF))
    return Engine(rules, Board(rules, WIRING), books, memory or Memory())


@dataclass
class Weeks:
    """What happened. orders: (UTC second, order, guard) at each change; heard: every reading; completed_s: when a hold
    was complete; apart_s: how long after the tank was last hot; at: (UTC second, order, level, bottom) at each step."""

    orders: list[tuple[float, Order, str]] = field(default_factory=list)
    heard: list[list[Reading]] = field(default_factory=list)
    completed_s: list[float] = field(default_factory=list)
    apart_s: list[float] = field(default_factory=list)
    at: list[tuple[float, Order, float, float]] = field(default_factory=list)
    alarms: set[str] = field(default_factory=set)
    bought_wh: float = 0.0


def lived(running: Engine, days: float, seen: Weeks | None = None) -> Weeks:
    """Live through so many days from noon."""
    seen, temps_c, order = seen or Weeks(), [10.0] * 5 + [50.0] * 5, Order.WITHHOLD
    watched, was_done, begun_s = Watched(), None, START_UTC_S
    for i in range(int(days * DAY_S / STEP_S)):
        at_s = begun_s + i * STEP_S
        power_w = 3000.0 if order is Order.HEAT and temps_c[0] < 65.0 else 0.0
        at_home = not any(start_s <= at_s < end_s for start_s, end_s in running.settings.away.periods)
        drawn_l = 60.0 if at_home and (at_s - MIDNIGHT_S) % DAY_S == 8 * HOUR_S else 0.0
        temps_c = list(step(TANK, temps_c, STEP_S, heat_w=[(0, power_w)], draw_l=drawn_l).temps_c)
        seen.bought_wh += power_w * STEP_S / 3600.0
        level = 100.0 * stored_wh(TANK, temps_c, 10.0) / FULL_WH
        told = {"grid_w": 200.0 + power_w, "diverted_w": power_w, "tank_level_pct": level}
        told |= {"tank_top_c": temps_c[8], "tank_bottom_c": temps_c[1]}
        seen.heard.append([Reading(name, value, at_s, at_s) for name, value in told.items()])
        order = heard(running, seen, seen.heard[-1], at_s)
        found, watched = watch(running.snapshot, running.settings, running.memory, watched, Moment(at_s, at_s))
        seen.alarms |= {alarm.sentence for alarm in found if alarm.name == "hygiene overdue"}
        seen.at.append((at_s, order, level, temps_c[1]))
        assert running.memory.hygiene is not None
        done = running.memory.hygiene.last_hot_utc_s
        if done is not None and (was_done is None or done > was_done + HOUR_S):
            seen.completed_s.append(done)
            if was_done is not None:
                seen.apart_s.append(done - was_done)
        was_done = done
    return seen


def heard(running: Engine, seen: Weeks, readings: list[Reading], at_s: float) -> Order:
    """Decide as a replay does: at each instant when time alone may change the decision, then on the readings."""
    while running.due_s < at_s:
        note(seen, running, running.decide(Moment(running.due_s, running.due_s)), running.due_s)
    return note(seen, running, running.hear(readings, Moment(at_s, at_s)), at_s)


def note(seen: Weeks, running: Engine, decision: Any, at_s: float) -> Order:
    lead = decision.lead
    if not seen.orders or seen.orders[-1][1:] != (lead.order, lead.guard):
        seen.orders.append((at_s, lead.order, lead.guard))
    order: Order = lead.order
    return order


def test_the_whole_tank_is_hot_once_a_week_in_the_cheap_hours_and_never_past_the_stop_level() -> None:
    seen = lived(engine(), 22)
    assert len(seen.completed_s) == 4, "in the first night, then weekly"
    assert all(6.0 * DAY_S < apart_s <= 7.0 * DAY_S for apart_s in seen.apart_s), seen.apart_s
    assert seen.alarms == set()
    heating = [(at_s, level, bottom_c) for at_s, order, level, bottom_c in seen.at if order is Order.HEAT]
    assert {guard for _, order, guard in seen.orders if order is Order.HEAT} == {"hygiene"}
    assert all((at_s - MIDNIGHT_S) % DAY_S < 7 * HOUR_S for at_s, _, _ in heating), "at night"
    assert all(level < 95.0 and bottom_c < 62.0 for _, level, bottom_c in heating)
    assert seen.bought_wh < 4.5 * FULL_WH


def test_replayed_it_is_the_same_to_the_bit() -> None:
    live = engine()
    seen = lived(live, 8)
    again, replayed = engine(), Weeks()
    for readings in seen.heard:
        heard(again, replayed, readings, readings[0].at_s)
    assert replayed.orders == seen.orders
    assert again.memory.hygiene == live.memory.hygiene
    assert again.memory.hygiene is not None
    assert again.memory.hygiene.last_hot_utc_s is not None


def test_a_stop_level_that_prevents_it_is_said_and_not_bought_each_night() -> None:
    low = replace(RULES, full=Full(stop_at_pct=70.0, resume_below_pct=63.0))
    seen = lived(engine(low), 7)
    assert seen.completed_s == []
    assert all(level < 70.0 for _, order, level, _ in seen.at if order is Order.HEAT)
    assert any("the last attempt ended at the stop level of 70 %" in sentence for sentence in seen.alarms)
    nights = {int((at_s - MIDNIGHT_S) // DAY_S) for at_s, order, _, _ in seen.at if order is Order.HEAT}
    assert len(nights) == 1


def test_a_restart_within_the_hold_begins_it_anew_and_keeps_the_days() -> None:
    live = engine()
    seen = lived(live, 1.0)
    (first_s,) = seen.completed_s
    in_hold = [readings for readings in seen.heard if readings[0].at_s <= first_s - 600]
    before = engine()
    for readings in in_hold:
        heard(before, Weeks(), readings, readings[0].at_s)
    now = Moment(in_hold[-1][0].at_s, in_hold[-1][0].at_s)
    assert before.memory.hygiene is not None
    assert before.memory.hygiene.hot_since_s is not None
    after = engine(memory=read(written(before.memory, RULES, now), RULES, now))
    for readings in seen.heard[len(in_hold) :][:5]:
        heard(after, Weeks(), readings, readings[0].at_s)
    assert after.memory.hygiene is not None
    assert after.memory.hygiene.last_hot_utc_s is None, "what was before the restart does not count"
    assert after.memory.hygiene.began_utc_s == START_UTC_S


def test_heating_on_purpose_that_has_begun_goes_on_after_a_restart_and_a_moments_doubt_of_the_clock() -> None:
    """Within the stretch the next hours become the cheapest, and each look comes a little after its half hour."""
    away = replace(RULES, away=Away(((START_UTC_S - 2 * DAY_S, START_UTC_S + DAY_S),), "main", 3.2 * HOUR_S))
    dear = replace(TARIFF, periods=(Period(date(2020, 1, 1), None, (Band("flat", Fraction(3, 10)),)),))
    morning = Band("morning", Fraction(1, 20), time(8), time(11))
    cheaper = replace(TARIFF, periods=(Period(date(2020, 1, 1), None, (morning, NIGHT, Band("day", Fraction(3, 10)))),))
    for rules in (RULES, away):

        def times(running: Engine, at_s: float) -> HeatingTimes:
            running.decide(Moment(at_s, at_s))
            return replace(running.snapshot.heating_times, until_s=0.0)

        running = engine(rules, Memory(hygiene=HotRecord(START_UTC_S)))
        planned = times(running, MIDNIGHT_S + DAY_S)
        (from_s, until_s) = planned.homecoming or planned.hygiene or (0.0, 0.0)
        assert running.memory.begun == HeatingTimes()
        assert times(running, from_s + 0.3) == planned
        assert running.memory.begun == replace(planned, until_s=float("inf"))
        within = Moment(from_s + 2400.0, 20.0)
        again = engine(rules, read(written(running.memory, rules, within), rules, within))
        for going_on in (running, again):
            for tariff in (cheaper, dear):
                going_on.books = Books(replace(going_on.books.settings, imports=tariff))
                going_on.clock_right = False
                assert times(going_on, within.utc_s) == HeatingTimes(until_s=0.0)
                going_on.clock_right = True
                assert times(going_on, within.utc_s + 1.0) == planned
                assert times(going_on, until_s + 0.3) == planned, "over, it is not heated again on that day"
        assert times(again, START_UTC_S + DAY_S + 1.0) != planned
        assert again.memory.begun == HeatingTimes(), "the day has ended"


def test_the_tank_is_hot_at_the_hour_of_return() -> None:
    end_s = START_UTC_S + 9.25 * DAY_S
    away = Away(((START_UTC_S + HOUR_S, end_s),), "main", RULES.hygiene.need_s if RULES.hygiene is not None else 0.0)
    seen = lived(engine(replace(RULES, away=away)), 9.5)
    (before, *_) = [(level, bottom_c) for at_s, _, level, bottom_c in seen.at if at_s >= end_s - STEP_S]
    assert {guard for _, order, guard in seen.orders if order is Order.HEAT} == {"return"}
    assert before[0] > 80.0, "heated in the night before, it has lost a little since"
    assert len(seen.completed_s) == 1
    assert end_s - DAY_S < seen.completed_s[0] < end_s, "hygiene first"
    assert seen.alarms == set(), "nobody is alarmed while nobody is at home"


def test_a_rule_that_asks_for_more_begins_anew_and_a_raised_stop_level_is_tried_at_once() -> None:
    low = replace(RULES, full=Full(stop_at_pct=70.0, resume_below_pct=63.0))
    running = engine(low)
    lived(running, 1.5)
    assert running.memory.hygiene is not None
    assert running.memory.hygiene.tried_utc_s is not None
    running.adopt(RULES, WIRING)
    assert running.memory.hygiene is not None
    assert running.memory.hygiene.tried_utc_s is None
    running.adopt(replace(RULES, hygiene=replace(RULES.hygiene or Hygiene("main"), at_c=62.0)), WIRING)
    assert running.memory.hygiene is None


def test_a_clock_that_is_behind_forgets_nothing_until_it_is_believed() -> None:
    """One without a battery wakes in the past: what was dated before lies ahead of it until it is set right."""
    hot = HotRecord(START_UTC_S, START_UTC_S + DAY_S)
    running = engine(memory=Memory(hygiene=hot))
    running.dated = running.clock_right = False
    early = Moment(START_UTC_S - 90 * DAY_S, 10.0)
    running.decide(early)
    assert running.memory.hygiene == hot
    running.dated = running.clock_right = True
    running.decide(Moment(START_UTC_S + 2 * DAY_S, 20.0))
    assert running.memory.hygiene == hot
    running.decide(early)
    assert running.memory.hygiene == HotRecord(early.utc_s), "believed, it shows that the date was wrong"


def test_a_clock_set_back_plans_by_the_record_that_it_mended_and_not_by_the_one_before() -> None:
    """Hot a week ahead of the clock as it is now: it counts as never hot, and is due within a day."""
    running = engine(memory=Memory(hygiene=HotRecord(START_UTC_S, START_UTC_S + 7 * DAY_S)))
    running.decide(Moment(START_UTC_S, START_UTC_S))
    stretch = running.snapshot.heating_times.hygiene
    assert stretch is not None
    assert START_UTC_S < stretch.from_s < START_UTC_S + DAY_S


def test_by_a_clock_that_is_doubted_nothing_is_heated_on_purpose_until_it_is_right() -> None:
    """Three days ahead the plan's hours, the week of hygiene and the return may all seem to have come."""
    rules = replace(
        RULES, follows_plan=True, away=Away(((START_UTC_S + 2 * DAY_S, START_UTC_S + 4 * DAY_S),), "main", DAY_S)
    )
    ahead_s = START_UTC_S + 3.5 * DAY_S
    plan = Planned("main", (PlannedRun(ahead_s, ahead_s + HOUR_S, 90.0),))
    known = {"grid_w": 200.0, "tank_level_pct": 20.0, "tank_top_c": 30.0, "tank_bottom_c": 20.0}
    for settled in (rules, replace(rules, away=Away())):
        running = engine(settled, Memory(hygiene=HotRecord(START_UTC_S - 3 * DAY_S), planned=plan))
        readings = [Reading(name, value, ahead_s, 10.0) for name, value in known.items()]
        assert running.hear(readings, Moment(ahead_s, 10.0)).lead.order is Order.HEAT, "by a clock that is right"
        running.clock_right = False
        assert running.decide(Moment(ahead_s, 11.0)).lead.order is Order.WITHHOLD
        assert running.memory.planned is None
        assert running.snapshot.heating_times.hygiene is None
        assert running.due_s < 10.0 + 900.0 + 1.0, "its readings' ages still count"
        running.clock_right = True
        running.decide(Moment(START_UTC_S, 12.0))
        assert running.snapshot.heating_times.hygiene is not None


def test_no_hot_tank_is_dated_by_a_clock_that_is_doubted_and_the_hold_is_complete_once_it_is_right() -> None:
    """In 1970 the tank gets hot and stays so; the clock is set right within the hold's last reading and the next."""
    known = {"grid_w": 200.0, "tank_level_pct": 80.0, "tank_top_c": 65.0, "tank_bottom_c": 63.0}
    for before in (None, HotRecord(START_UTC_S - 20 * DAY_S, START_UTC_S - 9 * DAY_S)):
        running = engine(memory=Memory(hygiene=before))
        running.clock_right = False
        for minute in range(0, 180, 10):
            at_s = 60.0 * minute
            running.hear([Reading(name, value, at_s, at_s) for name, value in known.items()], Moment(at_s, at_s))
            record = running.memory.hygiene
            if before is None:
                assert record is None
            else:
                assert record is not None
                assert (record.began_utc_s, record.last_hot_utc_s) == (before.began_utc_s, before.last_hot_utc_s)
                assert record.tried_utc_s is None
        running.clock_right = True
        now = Moment(START_UTC_S, 10_800.0)
        running.hear([Reading(name, value, now.utc_s, now.mono_s) for name, value in known.items()], now)
        record = running.memory.hygiene
        assert record is not None
        assert record.last_hot_utc_s == (None if before is None else START_UTC_S)
        assert record.began_utc_s == (START_UTC_S if before is None else before.began_utc_s)
