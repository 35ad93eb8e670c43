"""Leaving the rules unasked where nothing can change gives the same decisions, memory and next look as asking them."""

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from accounting.books.booking import Books, BooksSettings, HeaterBooks
from daemon.control.engine import Engine
from daemon.control.signal_state import Board, Wiring
from rules.guards import GUARDS
from rules.model.memory import Memory, Override
from rules.model.orders import Order
from rules.model.reading import Moment, Reading
from rules.model.settings import Alternate, Away, Battery, Full, Rest, Settings, Surplus, Tank
from tests.support.rules_case import GATE, MODULATED, START_UTC_S, moment, settings

FRESH_S = {"grid_w": 60.0, "tank_level_pct": 130.0, "diverted_w": 60.0, "battery_w": 60.0, "tank_top_c": 600.0}
PLAIN = settings(
    stale_after_s=FRESH_S, surplus=Surplus(over_s=20.0), rest=Rest(30.0, 30.0), tank=Tank(180.0, 60.0, 50.0)
)
HOMES = (
    PLAIN,
    replace(PLAIN, full=Full(stop_at_pct=60.0, resume_below_pct=50.0)),
    replace(PLAIN, away=Away(((START_UTC_S + 500.0, START_UTC_S + 1500.0),))),
    replace(PLAIN, alternate=Alternate(((START_UTC_S + 300.0, START_UTC_S + 900.0, False),))),
    replace(PLAIN, battery=Battery(maximum_discharge_w=50.0)),
    replace(PLAIN, temperatures=("tank_top_c",)),
    replace(PLAIN, heaters=(MODULATED,)),
    replace(PLAIN, heaters=(replace(GATE, name="upper"), replace(GATE, name="lower"))),
)
VALUES = {
    "grid_w": st.sampled_from([300.0, 80.0, 0.0, -90.0, -150.0, -199.0, -200.0, -2500.0, 1e7]),
    "tank_level_pct": st.sampled_from([30.0, 49.9, 50.0, 59.0, 60.0, 70.0, 87.9, 88.0, 94.0, 95.0, 100.0, 101.0]),
    "diverted_w": st.sampled_from([0.0, 0.0, 40.0, 900.0]),
    "battery_w": st.sampled_from([-500.0, 0.0, 300.0]),
    "tank_top_c": st.sampled_from([40.0, 69.0, 75.0]),
}
USUAL = {name: VALUES[name] for name in ("grid_w", "tank_level_pct")}
RARE = {name: VALUES[name] for name in ("diverted_w", "battery_w", "tank_top_c")}
SETS = st.one_of(st.none(), st.tuples(st.integers(0, 39), st.sampled_from([-3600.0, -100.0, 100.0, 900.0])))
"""After which message the wall clock is set, and by how much."""
MESSAGE = st.tuples(
    st.sampled_from([1.0, 10.0, 10.0, 10.0, 59.0, 60.0, 130.0, 700.0]),
    st.one_of(st.fixed_dictionaries(USUAL), st.fixed_dictionaries({}, optional=USUAL | RARE)),
)


def engine(home: Settings, lulls: bool) -> Engine:
    nobody = (None,) * len(home.heaters)
    powers = ("diverted_w", *nobody[1:])
    books = Books(BooksSettings(tuple(HeaterBooks(each.name, 3000.0, power="diverted_w") for each in home.heaters)))
    wiring = Wiring(("grid_w", -1.0), True, powers, nobody, None, None, 10.0, 60.0)
    made = Engine(home, Board(home, wiring), books, Memory())
    made.lulls = lulls
    return made


@given(st.sampled_from(HOMES), st.lists(MESSAGE, min_size=4, max_size=40), st.integers(3, 90), SETS)
def test_a_lull_changes_no_decision(
    home: Settings,
    messages: list[tuple[float, dict[str, float]]],
    overridden: int,
    clock_set: tuple[int, float] | None,
) -> None:
    lazy, eager = engine(home, True), engine(home, False)
    at_s = off_s = 0.0
    for number, (later_s, values) in enumerate(messages):
        until_s = at_s + later_s
        while eager.due_s < until_s:
            due_s = eager.due_s
            for each in (lazy, eager):
                each.decide(by_clock(due_s, off_s))
            same(lazy, eager)
        at_s = until_s
        readings = [Reading(name, value, START_UTC_S + at_s, at_s) for name, value in values.items()]
        if number == overridden:
            for each in (lazy, eager):
                each.memory = replace(each.memory, override=Override(Order.HEAT, at_s + 45.0))
        for each in (lazy, eager):
            each.hear(readings, by_clock(at_s, off_s))
        same(lazy, eager)
        if clock_set is not None and clock_set[0] == number:
            off_s = clock_set[1]
            for each in (lazy, eager):  # as the loop does
                each.decide(by_clock(at_s, off_s))
            same(lazy, eager)


def by_clock(at_s: float, off_s: float) -> Moment:
    """The forward clock's second at_s, by a wall clock that was set by off_s."""
    return Moment(START_UTC_S + at_s + off_s, at_s)


def same(lazy: Engine, eager: Engine) -> None:
    assert (lazy.decision, lazy.memory, lazy.due_s) == (eager.decision, eager.memory, eager.due_s)
    assert (lazy.snapshot, lazy.tally) == (eager.snapshot, eager.tally)


def test_a_quiet_night_is_a_lull() -> None:
    house = engine(PLAIN, True)
    asked = 0
    for minute in range(60):
        at_s = minute * 60.0
        was = house._lull
        house.hear([Reading("grid_w", 300.0 + minute, START_UTC_S + at_s, at_s)], moment(at_s - 0.5))
        house.hear([Reading("tank_level_pct", 80.0 - minute / 10, START_UTC_S + at_s, at_s)], moment(at_s))
        asked += house._lull is not was
    assert house._lull is not None
    assert asked == 1


def test_an_hour_of_steady_sun_and_one_of_a_silent_meter_are_lulls() -> None:
    house = engine(PLAIN, True)
    lulls = []
    for second in range(0, 7200, 20):
        sun = {"grid_w": -500.0 - second % 300, "diverted_w": 900.0} if second < 3600 else {}
        known = {"tank_level_pct": 50.0 + second / 600, **sun}
        house.hear(
            [Reading(name, value, START_UTC_S + second, second) for name, value in known.items()], moment(second)
        )
        while house.due_s < second + 20:
            house.decide(moment(house.due_s))
        if house._lull is not None and not any(house._lull is known for known in lulls):
            lulls.append(house._lull)
    guards = [known.memory.decision.lead.guard for known in lulls if known.memory.decision is not None]
    assert guards == ["surplus", "surplus", "fresh", "fresh"]  # of each a second one once the timer has passed


def test_a_wall_clock_that_is_set_ends_it() -> None:
    """An absence that would begin in eight minutes has begun; a clock that is slewed for a second changes nothing."""
    house = engine(HOMES[2], True)
    for at_s in (0.0, 10.0):
        house.hear(
            [Reading("grid_w", 300.0, START_UTC_S, at_s), Reading("tank_level_pct", 50.0, START_UTC_S, at_s)],
            moment(at_s),
        )
    known = house._lull
    assert known is not None
    house.decide(by_clock(11.0, 0.9))
    assert house._lull is known
    house.decide(by_clock(12.0, 600.0))
    assert house.decision is not None
    assert house.decision.lead.guard == "away"


def test_every_guard_is_known_to_the_lull() -> None:
    """A new guard has to say in rules/decision/lull.py what it goes by; until then no home has a lull."""
    from rules.decision import lull

    assert {guard.NAME for guard in GUARDS} <= lull._KNOWN
