"""What holds for the rules whatever the house does: random readings, ages, overrides and settings."""

import math
from dataclasses import dataclass, replace
from typing import Any

from hypothesis import event, given
from hypothesis import settings as rounds
from hypothesis import strategies as st

from rules.decision.deadlines import due
from rules.decision.decide import allot, decide
from rules.decision.explain import explain
from rules.guards import GUARDS
from rules.guards.guard import Power, never
from rules.guards.precedence import Precedence
from rules.model.memory import Memory, Planned
from rules.model.orders import ALLOW, REQUIRE, Decision, Finding, Judgement, Order, Verdict
from rules.model.overriding import set_override
from rules.model.reading import NEVER_LIVE_S, Moment
from rules.model.settings import (
    Battery,
    Full,
    Heater,
    Limit,
    Rest,
    Settings,
    Surplus,
    Tracking,
    Worth,
    Yield,
)
from rules.model.share import Share
from rules.model.snapshot import Prices, Snapshot
from tests.support.purposes import AWAYS, HEATING_TIMES, HYGIENES, PLANS
from tests.support.rules_case import STALE_AFTER_S, START_UTC_S, moment, snapshot

HEATERS = [
    (Heater("main", "gate", 3000.0, 100.0),),
    (Heater("main", "gate", 3000.0, 400.0, can_heat=True),),
    (Heater("main", "modulated", 3000.0, 100.0, can_heat=True),),
    (Heater("main", "modulated", 2500.0, 300.0, steps_w=(500, 1000, 2000, 3000)),),
    (Heater("upper", "gate", 3000.0, 600.0, can_heat=True), Heater("lower", "gate", 2000.0, 100.0)),
    (Heater("upper", "modulated", 1000.0, 300.0, can_heat=True), Heater("lower", "gate", 2000.0, 100.0)),
    (Heater("upper", "modulated", 3000.0, 600.0), Heater("lower", "modulated", 1500.0, 50.0, can_heat=True)),
]


HOUSES = st.builds(
    Settings,
    st.sampled_from(HEATERS),
    st.just(STALE_AFTER_S),
    limit=st.sampled_from([Limit(70.0, 67.0), Limit(60.0, 60.0)]),
    full=st.builds(
        Full,
        st.just(95.0),
        st.sampled_from([88.0, 95.0]),
        st.just(30.0),
        st.sampled_from([15.0, 40.0]),
        st.sampled_from([0.0, 3.0]),
        st.sampled_from([30.0, 200.0]),
    ),
    surplus=st.sampled_from([Surplus(150.0, 0.0), Surplus(150.0, 150.0), Surplus(800.0, -100.0)]),
    battery=st.sampled_from([Battery(), Battery(50.0, None), Battery(None, 100.0), Battery(50.0, 0.0)]),
    yields=st.sampled_from([None, Yield("car_w", 500.0), Yield("car_w", 500.0, 45.0)]),
    worth=st.sampled_from([Worth(), Worth(True), Worth(True, 0.02, 200.0)]),
    rest=st.builds(Rest, st.sampled_from([0.0, 33.0]), st.sampled_from([0.0, 27.0])),
    tracking=st.builds(Tracking, st.sampled_from([50.0, 0.0, -100.0]), st.sampled_from([1, 3]), st.just(60.0)),
    away=st.sampled_from(AWAYS),
    hygiene=st.sampled_from(HYGIENES),
    together=st.booleans(),
    temperatures=st.sampled_from([(), (), ("tank_top_c",), ("tank_top_c", "tank_bottom_c")]),
    timezone=st.just("Europe/Dublin"),
    currency=st.just("EUR"),
    follows_plan=st.booleans(),
)

WELL: dict[str, Any] = {
    "level": 50.0,
    "surplus": 1200.0,
    "mean": 1200.0,
    "measured": (0.0, 0.0),
    "top": 50.0,
    "bottom": 45.0,
    "battery": 0.0,
    "battery_level": 80.0,
    "car": 0.0,
    "prices": Prices(0.05, 0.3, 0.11, 0.25, 0.2),
}
"""A house in which diversion is possible: each step disturbs it a little, so that orders come and go."""

POWERS = st.sampled_from([-5000.0, -200.0, 0.0, 100.0, 160.0, 900.0, 1500.0, 6000.0])


def change(name: str, *values: Any) -> st.SearchStrategy[tuple[str, Any]]:
    return st.tuples(st.just(name), st.sampled_from(values))


DISTURBED = st.one_of(
    change("level", None, 59.9, 60.0, 91.0, 95.0, 100.0, 110.0, 200.0, -3.0, math.nan),
    change("surplus", None, math.nan, -5000.0, -200.0, 100.0, 1500.0),
    st.tuples(st.just("mean"), POWERS),
    change("measured", (None, None), (800.0, 0.0), (0.0, 800.0), (29.9, 30.0), (900.0, 900.0)),
    change("top", None, 20.0, 59.9, 60.0, 66.0, 70.0, -127.0, math.nan),
    change("bottom", None, 54.0, 60.0, 70.0, 200.0),
    change("battery", None, -150.0, 500.0),
    change("battery_level", None, 20.0),
    change("car", None, 3000.0),
    change(
        "prices",
        Prices(),
        Prices(0.2, 0.3, 0.11),
        Prices(0.1, 0.3, 0.11, 0.25, 0.2, START_UTC_S + 100.0),
        Prices(0.1, 0.3, None),
    ),
    change("times", *HEATING_TIMES),
)
SIGNALS = (
    "tank_level_pct",
    "surplus_w",
    "tank_top_c",
    "tank_bottom_c",
    "diverted_w",
    "battery_w",
    "battery_level_pct",
    "car_w",
)
AGES = st.sampled_from([5.0, 19.999, 20.001, 61.0, 599.999, 600.001, 5000.0, math.inf])
"""None at a limit itself, where the last digit of a sum decides: that is for the tests of due."""


@dataclass(frozen=True)
class Step:
    """after_s: time since the step before; known: for `snapshot`; ages: by signal; word: an override, or none."""

    after_s: float
    known: dict[str, Any]
    ages: dict[str, float]
    word: tuple[Order, float, str | None] | None


STEPS = st.builds(
    lambda after_s, disturbed, ages, word: Step(after_s, WELL | dict(disturbed), dict(ages), word),
    st.sampled_from([1.0, 5.0, 7.3, 20.0, 60.0, 0.0, 700.0]),
    st.lists(DISTURBED, max_size=2),
    st.one_of(st.just([]), st.just([]), st.lists(st.tuples(st.sampled_from(SIGNALS), AGES), max_size=1)),
    st.one_of(
        st.none(),
        st.none(),
        st.none(),
        st.none(),
        st.tuples(st.sampled_from(Order), st.sampled_from([5.0, 90.0]), st.sampled_from([None, "main", "lower"])),
    ),
)


def known_at(step: Step, at_s: float) -> Snapshot:
    seen = {signal: NEVER_LIVE_S if math.isinf(age_s) else at_s - age_s for signal, age_s in step.ages.items()}
    above_s = at_s - step.ages.get("car_w", 0.0) if step.known["car"] == 3000.0 else NEVER_LIVE_S
    return snapshot(at_s, **step.known, seen=seen, car_above_s=above_s)


@dataclass(frozen=True)
class Seen:
    """One decision of a run, with what it was made on. given: the memory before it, after: the one it left."""

    settings: Settings
    snapshot: Snapshot
    now: Moment
    given: Memory
    decision: Decision
    after: Memory


def played(
    house: Settings, script: list[Step], guards: Precedence = GUARDS, planned: Planned | None = None
) -> list[Seen]:
    at_s, memory, seen = 0.0, Memory(planned=planned), []
    for step in script:
        at_s += step.after_s
        if step.word is not None:
            order, for_s, heater = step.word
            memory = set_override(memory, order, at_s + for_s, heater)
        known, now = known_at(step, at_s), moment(at_s)
        decision, after = decide(known, house, memory, now, guards)
        seen.append(Seen(house, known, now, memory, decision, after))
        memory = after
    return seen


RUNS = st.builds(played, HOUSES, st.lists(STEPS, min_size=1, max_size=20), planned=st.sampled_from(PLANS))


class Programme:
    """A guard that requires `heat` of every heater that can, in the first half of each 20 s."""

    NAME = "programme"
    next_s = staticmethod(never)

    def judge(
        self, snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share, /
    ) -> Judgement:
        return Order.HEAT if settings.heaters[i].can_heat and now.mono_s % 20 < 10 else ALLOW

    def say(
        self, snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share, /
    ) -> Finding:
        return Finding("programme", REQUIRE, "it is its time", "ends with it", Order.HEAT)


POWER_OF = {name: Power.HARD if hard else Power.SOFT for name, hard, _ in GUARDS.judges}
POWER_OF |= dict.fromkeys(GUARDS.requiring, Power.REQUIRING)
RANKED = [(guard, POWER_OF[guard.NAME]) for guard in GUARDS]
PROGRAMMED = st.builds(
    played,
    HOUSES,
    st.lists(STEPS, min_size=1, max_size=20),
    # At any rank below `together`: above it, two heaters could be on where only one may.
    st.sampled_from(range(5, len(RANKED) + 1)).map(
        lambda rank: Precedence(*RANKED[:rank], (Programme(), Power.REQUIRING), *RANKED[rank:])
    ),
)


def fresh(it: Seen, what: str) -> bool:
    """Written apart from the rules' own: the age is less than the limit."""
    reading = getattr(it.snapshot, what)
    return reading is not None and it.now.mono_s - reading.seen_s < STALE_AFTER_S[reading.signal]


def on(decision: Decision) -> list[int]:
    return [i for i, order in enumerate(decision.orders) if order.order is not Order.WITHHOLD]


@rounds(max_examples=120, deadline=None)
@given(RUNS)
def test_never_on_when_full_hot_or_blind(run: list[Seen]) -> None:
    for it in run:
        for i in on(it.decision):
            event("on")
            level = it.snapshot.level
            assert fresh(it, "level")
            assert level is not None
            assert level.value < it.settings.full.stop_at_pct
            for what in ("top", "mid", "bottom"):
                reading = getattr(it.snapshot, what)
                if reading is None:
                    assert f"tank_{what}_c" not in it.settings.temperatures
                else:  # stale, impossible or hot: none of it may heat, whatever the others read
                    assert fresh(it, what)
                    assert -20 <= reading.value <= 130
                    assert reading.value < it.settings.limit.maximum_c
            order = it.decision.orders[i]
            if order.order is Order.SURPLUS:
                assert fresh(it, "surplus")
            else:
                assert it.settings.heaters[i].can_heat
                assert order.guard in GUARDS.requiring
                assert order.guard != "override" or it.after.override is not None
                if order.guard == "plan":
                    event("planned")
                    assert it.settings.follows_plan
                    assert it.given.planned is not None
                    (run_,) = it.given.planned.runs
                    assert run_.from_s <= it.now.utc_s < run_.to_s
                    assert level.value < run_.level_pct


@rounds(max_examples=120, deadline=None)
@given(PROGRAMMED)
def test_what_a_guard_requires_passes_no_hard_guard_and_takes_no_surplus_unseen(run: list[Seen]) -> None:
    for it in run:
        assert it.settings.together or len(on(it.decision)) <= 1
        for i in on(it.decision):
            order = it.decision.orders[i]
            event(f"{order.order} by {order.guard}")
            assert fresh(it, "level")
            assert it.snapshot.level is not None
            assert it.snapshot.level.value < it.settings.full.stop_at_pct
            for what in ("top", "mid", "bottom"):
                reading = getattr(it.snapshot, what)
                assert reading is None or (fresh(it, what) and -20 <= reading.value < it.settings.limit.maximum_c)
            if order.order is Order.SURPLUS:
                assert fresh(it, "surplus")
            else:
                assert it.settings.heaters[i].can_heat
                assert order.guard in {*GUARDS.requiring, "programme"}


@rounds(max_examples=120, deadline=None)
@given(RUNS)
def test_a_hot_tank_stays_off_until_every_sensor_says_that_it_has_cooled(run: list[Seen]) -> None:
    hot = False
    for it in run:
        known = {what: getattr(it.snapshot, what) for what in ("top", "mid", "bottom")}
        had = [what for what in known if known[what] is not None or f"tank_{what}_c" in it.settings.temperatures]
        read = [known[what].value for what in had if fresh(it, what) and -20 <= known[what].value <= 130]
        if any(temp_c >= it.settings.limit.maximum_c for temp_c in read):
            hot = True
        elif not had or (len(read) == len(had) and max(read) < it.settings.limit.resume_below_c):
            hot = False
        if hot:
            event("hot")
            assert on(it.decision) == []


@rounds(max_examples=120, deadline=None)
@given(RUNS)
def test_a_full_tank_stays_off_until_it_is_below_the_resume_level(run: list[Seen]) -> None:
    full = False
    for it in run:
        if fresh(it, "level") and it.snapshot.level is not None and 0 <= it.snapshot.level.value <= 110:
            if it.snapshot.level.value >= it.settings.full.stop_at_pct:
                full = True
            elif it.snapshot.level.value < it.settings.full.resume_below_pct:
                full = False
        if full:
            assert on(it.decision) == []


@rounds(max_examples=120, deadline=None)
@given(RUNS)
def test_watts_are_within_the_heater_and_one_is_on_unless_more_are_allowed(run: list[Seen]) -> None:
    for it in run:
        assert it.settings.together or len(on(it.decision)) <= 1
        assert [order.heater for order in it.decision.orders] == [heater.name for heater in it.settings.heaters]
        for heater, order in zip(it.settings.heaters, it.decision.orders, strict=True):
            if heater.kind == "gate" or order.order is Order.WITHHOLD:
                assert order.watts is None
                continue
            assert order.watts is not None
            if order.watts == 0:
                assert order.guard == "override"
                continue
            assert heater.minimum_w <= order.watts <= heater.rated_w
            if heater.steps_w and order.order is Order.SURPLUS:
                assert order.watts in heater.steps_w


@rounds(max_examples=120, deadline=None)
@given(RUNS)
def test_no_start_before_the_minimum_off_time_and_no_soft_stop_before_the_minimum_on_time(run: list[Seen]) -> None:
    changed_s = [-math.inf] * 2
    standing = [Order.WITHHOLD] * 2
    for it in run:
        for i, order in enumerate(it.decision.orders):
            if order.order is standing[i]:
                continue
            held_s = it.now.mono_s - changed_s[i]
            if standing[i] is Order.WITHHOLD and order.guard not in ("override", "plan"):
                event("started")
                assert held_s >= it.settings.rest.minimum_off_s - 1e-9
            if standing[i] is Order.SURPLUS and order.order is Order.WITHHOLD:
                event(f"stopped by {order.guard}")
                if order.guard not in ("limit", "fresh", "full", "override", "together"):
                    assert held_s >= it.settings.rest.minimum_on_s - 1e-9
            standing[i], changed_s[i] = order.order, it.now.mono_s
            assert it.after.heaters[i].since_s == it.now.mono_s


@rounds(max_examples=120, deadline=None)
@given(RUNS)
def test_the_same_inputs_give_equal_results_and_deciding_again_the_same_objects(run: list[Seen]) -> None:
    for it in run:
        assert decide(it.snapshot, it.settings, it.given, it.now) == (it.decision, it.after)
        again, memory = decide(it.snapshot, it.settings, it.after, it.now)
        assert again is it.decision
        assert memory is it.after


@rounds(max_examples=120, deadline=None)
@given(RUNS, st.lists(st.floats(0, 1, exclude_max=True), min_size=3, max_size=3))
def test_due_is_honest(run: list[Seen], shares: list[float]) -> None:
    for it in run:
        due_s = due(it.snapshot, it.settings, it.after, it.now)
        assert due_s > it.now.mono_s
        until_s = min(due_s, it.now.mono_s + 10_000)
        for share in shares:
            at_s = it.now.mono_s + (until_s - it.now.mono_s) * share
            # The forward clock's floats are finer than UTC's: an instant whose UTC second is the deadline's is due.
            if at_s < until_s and it.now.utc_of(at_s) < it.now.utc_of(until_s):
                between, _ = decide(it.snapshot, it.settings, it.after, Moment(it.now.utc_of(at_s), at_s))
                assert between is it.decision


@rounds(max_examples=120, deadline=None)
@given(RUNS)
def test_waking_only_when_due_comes_to_rest(run: list[Seen]) -> None:
    it = run[-1]
    decision, memory, now = it.decision, it.after, it.now
    for _ in range(60):
        due_s = due(it.snapshot, it.settings, memory, now)
        if due_s == math.inf:
            break
        assert due_s > now.mono_s
        now = Moment(now.utc_of(due_s), due_s)
        decision, memory = decide(it.snapshot, it.settings, memory, now)
    assert due_s == math.inf
    assert on(decision) == []


@rounds(max_examples=120, deadline=None)
@given(RUNS, st.sampled_from([0.0, 3.0, 50.0]))
def test_explain_agrees_with_decide(run: list[Seen], later_s: float) -> None:
    for it in run:
        now = Moment(it.now.utc_s + later_s, it.now.mono_s + later_s)
        decision, memory = decide(it.snapshot, it.settings, it.after, now)
        rulings = allot(it.snapshot, it.settings, memory, now)
        assert explain(it.snapshot, it.settings, it.after, now).heater == decision.lead.heater
        for i, order in enumerate(decision.orders):
            why = explain(it.snapshot, it.settings, it.after, now, order.heater)
            assert (why.heater, why.order, why.watts) == (order.heater, order.order, order.watts)
            assert why.primary.guard == order.guard
            assert why.primary.sentence
            assert why.change
            if order.order is Order.WITHHOLD and order.guard != "override":
                assert why.primary.verdict is Verdict.FORBID
            for guard, finding in zip(GUARDS, why.findings, strict=True):
                judged = guard.judge(it.snapshot, it.settings, memory, now, i, rulings[i].share)
                required = judged if isinstance(judged, Order) else None
                verdict = Verdict.REQUIRE if isinstance(judged, Order) else judged
                assert (finding.guard, finding.verdict, finding.order) == (guard.NAME, verdict, required)
                assert finding.sentence
            first = next((f for f in why.findings if f.verdict is not Verdict.ALLOW), None)
            if first is not None and order.guard != "rest":
                assert first is why.primary


@rounds(max_examples=120, deadline=None)
@given(RUNS, st.sampled_from(Order), st.floats(0.1, 1e5))
def test_an_override_always_ends(run: list[Seen], order: Order, for_s: float) -> None:
    it = run[-1]
    until_s = it.now.mono_s + for_s
    memory = set_override(it.after, order, until_s)
    decision, after = decide(it.snapshot, it.settings, memory, Moment(it.now.utc_of(until_s), until_s))
    assert after.override is None
    assert all(told.guard != "override" for told in decision.orders)


@rounds(max_examples=120, deadline=None)
@given(RUNS)
def test_a_restart_begins_withheld_and_keeps_what_is_full(run: list[Seen]) -> None:
    it = run[-1]
    kept = replace(it.after, decision=None)
    decision, after = decide(Snapshot(), it.settings, kept, it.now)
    assert on(decision) == []
    assert after.full_since_s == it.after.full_since_s
    assert [past.satisfied_count for past in after.heaters] == [past.satisfied_count for past in it.after.heaters]
