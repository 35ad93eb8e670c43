"""Tonight's plan, if the owner wants it followed: heat from the grid in its hours, up to its level.

It comes after the hard guards, the owner's override, an absence and the heating for hygiene or a return, and before the
guards about the house battery, other loads, money and surplus. Another module makes the plan. Where there is none, or
it is not followed, this guard allows.
"""

from rules.guards.guard import NEVER_S, next_edge_s
from rules.model import wording
from rules.model.formatting import clock, percent
from rules.model.memory import Memory, PlannedRun
from rules.model.orders import ALLOW, REQUIRE, Finding, Judgement, Order
from rules.model.reading import Moment
from rules.model.settings import Settings
from rules.model.share import Share
from rules.model.snapshot import Snapshot

NAME = "plan"
AGAIN_BELOW_PCT = 3.0
"""How far below the plan's level the tank must be for heating to begin, %; it then heats up to that level."""


def judge(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Judgement:
    """HEAT of the planned heater within the plan's hours, until its level is reached."""
    if memory.planned is None or not settings.follows_plan:
        return ALLOW
    return Order.HEAT if _wanted(snapshot, settings, memory, now, i) else ALLOW


def next_s(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment) -> float:
    """When a run of the plan begins or ends."""
    if memory.planned is None or not settings.follows_plan:
        return NEVER_S
    return next_edge_s([edge_s for run in memory.planned.runs for edge_s in (run.from_s, run.to_s)], now)


def say(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Finding:
    """The verdict in words."""
    if not settings.follows_plan:
        return Finding(NAME, ALLOW, wording.say("no plan is followed"))
    planned = memory.planned
    if planned is None or planned.heater != settings.heaters[i].name:
        return Finding(NAME, ALLOW, wording.say("no plan for this heater"))
    run = _running(memory, now)
    if run is None:
        ahead = [each for each in planned.runs if now.utc_s < each.from_s]
        if not ahead:
            return Finding(NAME, ALLOW, wording.say("the plan needs no more heat from the grid"))
        start = clock(ahead[0].from_s, settings.timezone, now.utc_s)
        sentence = wording.say("the plan heats from {start}", start=start)
        return Finding(NAME, ALLOW, sentence, wording.say("heats from {start}", start=start))
    until = clock(run.to_s, settings.timezone, now.utc_s)
    if not _wanted(snapshot, settings, memory, now, i):
        return _waits(snapshot, settings, run, until, i)
    aim = percent(run.level_pct)
    sentence = wording.say("the plan heats to {aim} until {until}", aim=aim, until=until)
    return Finding(
        NAME, REQUIRE, sentence, wording.say("ends at {aim} or at {until}", aim=aim, until=until), Order.HEAT
    )


def _waits(snapshot: Snapshot, settings: Settings, run: PlannedRun, until: str, i: int) -> Finding:
    """Why the plan does not heat during a run of its own."""
    level, aim = snapshot.level, percent(run.level_pct)
    if not settings.heaters[i].can_heat:
        sentence = wording.say("the plan heats until {until}, but this heater cannot be ordered to heat", until=until)
        return Finding(NAME, ALLOW, sentence)
    if level is None:
        sentence = wording.say(
            "the plan heats to {aim} until {until}, but the tank level is not known", aim=aim, until=until
        )
        return Finding(NAME, ALLOW, sentence)
    if level.value >= run.level_pct:
        return Finding(NAME, ALLOW, wording.say("the plan's {aim} is reached", aim=aim))
    sentence = wording.say("tank {level}, close to the plan's {aim}", level=percent(level.value), aim=aim)
    change = wording.say("heats below {level}", level=percent(run.level_pct - AGAIN_BELOW_PCT))
    return Finding(NAME, ALLOW, sentence, change)


def _running(memory: Memory, now: Moment) -> PlannedRun | None:
    planned = memory.planned
    if planned is not None:
        for run in planned.runs:
            if run.from_s <= now.utc_s < run.to_s:
                return run
    return None


def _wanted(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int) -> bool:
    run = _running(memory, now)
    level = snapshot.level
    if run is None or level is None or memory.planned is None:
        return False
    heater = settings.heaters[i]
    if heater.name != memory.planned.heater or not heater.can_heat:
        return False
    standing = memory.decision.orders[i] if memory.decision is not None else None
    heats = standing is not None and standing.guard == NAME and standing.order is Order.HEAT
    return level.value < run.level_pct - (0.0 if heats else AGAIN_BELOW_PCT)
