"""What the rules remember across a restart, and what a clock that was changed meanwhile may not do."""

import json
from dataclasses import replace

import pytest

from daemon.recording.memory_codec import HOT_WRITTEN_S, lasting, read, written
from rules.decision.decide import decide
from rules.model.memory import Frozen, HeaterMemory, HotRecord, Memory, Override
from rules.model.orders import Order
from rules.model.reading import Moment, Reading
from rules.model.settings import Full, Heater, Hygiene, Rest, Settings
from rules.model.snapshot import HeatingTimes, Snapshot, Stretch
from tests.support.rules_case import settings

RULES = settings()
DOWN = Moment(1_780_000_000.0, 5000.0)


def up(after_s: float) -> Moment:
    """The instant `after_s` later by the wall clock, on a machine that has just been switched on."""
    return Moment(DOWN.utc_s + after_s, 20.0)


def kept(memory: Memory, now: Moment, then: Moment = DOWN) -> Memory:
    """The memory after its way through the ledger's JSON."""
    return read(json.loads(json.dumps(written(memory, RULES, then))), RULES, now)


def test_nothing_written_is_nothing_remembered() -> None:
    assert read(None, RULES, up(0)) == Memory()


def test_instants_are_carried_to_the_new_forward_clock() -> None:
    past = HeaterMemory(since_s=4000.0, satisfied_at_s=4700.0, satisfied_level_pct=71.5, satisfied_count=2)
    before = Memory(heaters=(past,), full_since_s=4400.0, hot_since_s=4900.0)
    after = kept(before, up(60.0))
    # 600, 100 and 300 s before the end, and 60 s more by now: before the machine was switched on.
    assert after.full_since_s == 20.0 - 660.0
    assert after.hot_since_s == 20.0 - 160.0
    (heater,) = after.heaters
    assert (heater.satisfied_at_s, heater.satisfied_level_pct, heater.satisfied_count) == (20.0 - 360.0, 71.5, 2)


def test_a_level_that_was_not_believed_is_not_believed_after() -> None:
    after = kept(Memory(frozen=Frozen(43.0, 4400.0, 15_700.0)), up(60.0))
    assert after.frozen == Frozen(43.0, 20.0 - 660.0, 15_700.0)


def test_a_restart_begins_withheld() -> None:
    assert kept(Memory(), up(1.0)).decision is None


def sunny(at: Moment) -> Snapshot:
    level, surplus = (Reading(*told, at.utc_s, at.mono_s) for told in (("tank_level_pct", 50.0), ("surplus_w", 2000.0)))
    return Snapshot(level=level, surplus=surplus, surplus_mean_w=2000.0)


def test_a_daemon_that_dies_again_and_again_keeps_to_the_minimum_off_time() -> None:
    """When it died, and whether the heater was on, nobody knows: the time off counts from the restart."""
    rules = settings(rest=Rest(minimum_off_s=120.0))
    memory = Memory(heaters=(HeaterMemory(since_s=1000.0),))
    began = DOWN
    for _ in range(5):
        began = Moment(began.utc_s + 30.0, began.mono_s + 30.0)
        memory = read(json.loads(json.dumps(written(memory, rules, began))), rules, began)
        for after_s in (0.0, 29.0):
            at = Moment(began.utc_s + after_s, began.mono_s + after_s)
            decision, memory = decide(sunny(at), rules, memory, at)
            assert (decision.lead.order, decision.lead.guard) == (Order.WITHHOLD, "rest")
    at = Moment(began.utc_s + 120.0, began.mono_s + 120.0)
    assert decide(sunny(at), rules, memory, at)[0].lead.order is Order.SURPLUS


@pytest.mark.parametrize(("down_s", "left_s"), [(0.0, 600.0), (100.0, 500.0), (599.0, 1.0)])
def test_an_overrides_time_goes_on_while_nobody_is_there(down_s: float, left_s: float) -> None:
    override = Override(Order.WITHHOLD, DOWN.mono_s + 600.0, "main")
    after = kept(Memory(override=override), up(down_s))
    assert after.override == Override(Order.WITHHOLD, 20.0 + left_s, "main")


@pytest.mark.parametrize("down_s", [600.0, 601.0, 1e6])
def test_an_override_ends_while_nobody_is_there(down_s: float) -> None:
    override = Override(Order.SURPLUS, DOWN.mono_s + 600.0)
    assert kept(Memory(override=override), up(down_s)).override is None


def test_a_clock_set_back_gives_no_override_more_time() -> None:
    override = Override(Order.SURPLUS, DOWN.mono_s + 600.0)
    after = kept(Memory(override=override), up(-86_400.0))
    assert after.override == Override(Order.SURPLUS, 20.0 + 600.0)


def test_a_clock_set_back_puts_nothing_into_the_future() -> None:
    past = HeaterMemory(satisfied_at_s=4990.0)
    after = kept(Memory(heaters=(past,), full_since_s=4000.0), up(-86_400.0))
    assert after.full_since_s == 20.0
    assert after.heaters[0].satisfied_at_s == 20.0


def test_heaters_are_remembered_by_name() -> None:
    two = settings(heaters=(Heater("upper", "gate", 3000.0), Heater("lower", "gate", 3000.0)))
    memory = Memory(heaters=(HeaterMemory(satisfied_count=1), HeaterMemory(satisfied_count=2)))
    data = written(memory, two, DOWN)
    other = settings(heaters=(Heater("lower", "gate", 3000.0), Heater("new", "gate", 3000.0)))
    assert [past.satisfied_count for past in read(data, other, up(0.0)).heaters] == [2, 0]


HOT = HotRecord(DOWN.utc_s - 9e5, DOWN.utc_s - 3e5, hot_since_s=4000.0, seen_s=4900.0, tried_utc_s=5.0, bottom_c=51.5)


WEEKLY = replace(RULES, hygiene=Hygiene("main"))


def hot_kept(was: Settings, rules: Settings, now: Moment) -> HotRecord | None:
    """The record HOT after its way through the ledger, from one home file to another."""
    return read(json.loads(json.dumps(written(Memory(hygiene=HOT), was, DOWN))), rules, now).hygiene


@pytest.mark.parametrize("down_s", [60.0, 86_400.0, -90 * 86_400.0])
def test_days_since_the_tank_was_hot_go_on_and_a_hold_begins_anew(down_s: float) -> None:
    after = hot_kept(WEEKLY, WEEKLY, up(down_s))
    assert after == HotRecord(HOT.began_utc_s, HOT.last_hot_utc_s, tried_utc_s=5.0, bottom_c=51.5)
    assert kept(Memory(), up(down_s)).hygiene is None


@pytest.mark.parametrize("changed", [{"at_c": 61.0}, {"hold_s": 3600.0}])
def test_what_was_hot_enough_for_less_proves_nothing_of_more(changed: dict[str, float]) -> None:
    rule = WEEKLY.hygiene
    assert rule is not None
    assert hot_kept(WEEKLY, replace(WEEKLY, hygiene=replace(rule, **changed)), up(60.0)) is None
    assert hot_kept(replace(WEEKLY, hygiene=replace(rule, **changed)), WEEKLY, up(60.0)) is not None
    assert hot_kept(WEEKLY, RULES, up(60.0)) is None


def test_what_one_stop_level_ended_is_tried_again_with_another() -> None:
    after = hot_kept(WEEKLY, replace(WEEKLY, full=Full(stop_at_pct=100.0)), up(60.0))
    assert after == HotRecord(HOT.began_utc_s, HOT.last_hot_utc_s)


def test_a_memory_from_before_the_rule_has_no_record() -> None:
    data = written(Memory(hygiene=HOT), WEEKLY, DOWN)
    del data["hygiene"]
    assert read(data, WEEKLY, up(0)).hygiene is None


def test_a_tank_that_stays_hot_is_not_written_with_each_reading() -> None:
    base_s = 1_780_000_200.0 // HOT_WRITTEN_S * HOT_WRITTEN_S

    def hot_at(after_s: float) -> Memory:
        return lasting(Memory(hygiene=HotRecord(0.0, base_s + after_s, 10.0, after_s, drew_since_s=after_s)))

    assert hot_at(0.0) == hot_at(HOT_WRITTEN_S - 1)
    assert hot_at(0.0) != hot_at(HOT_WRITTEN_S)


@pytest.mark.parametrize("key", ["began", "last_hot", "at_c", "stop_at_pct"])
@pytest.mark.parametrize("mangled", ["x", float("nan"), [], {}])
def test_a_record_that_is_mangled_is_not_taken_for_one(key: str, mangled: object) -> None:
    data = written(Memory(hygiene=HOT), WEEKLY, DOWN)
    data["hygiene"][key] = mangled
    with pytest.raises((TypeError, ValueError)):
        read(data, WEEKLY, up(0))


BEGUN = HeatingTimes(Stretch(DOWN.utc_s - 3600.0, DOWN.utc_s + 1800.0))


def test_heating_on_purpose_that_has_begun_is_remembered_at_its_hours() -> None:
    both = replace(BEGUN, homecoming=Stretch(DOWN.utc_s - 60.0, DOWN.utc_s + 60.0))
    for begun in (HeatingTimes(), BEGUN, both):
        assert kept(Memory(begun=begun), up(600.0)).begun == begun
    assert lasting(Memory(begun=BEGUN)) != lasting(Memory()), "it is written when it begins"
    data = written(Memory(begun=BEGUN), RULES, DOWN)
    del data["begun"]
    assert read(data, RULES, up(0)).begun == HeatingTimes(), "an older program's"


@pytest.mark.parametrize("mangled", ["x", 5, [1.0], [1.0, 2.0, 3.0], [1.0, None], [1.0, float("nan")], {}])
def test_a_stretch_that_is_mangled_is_not_taken_for_one(mangled: object) -> None:
    data = written(Memory(begun=BEGUN), RULES, DOWN)
    data["begun"]["hygiene"] = mangled
    with pytest.raises((TypeError, ValueError)):
        read(data, RULES, up(0))
