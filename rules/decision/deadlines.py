"""When time alone may change the decision: the loop sleeps until then, or until the next message."""

from rules.guards import GUARDS
from rules.guards.guard import NEVER_S
from rules.guards.precedence import Precedence
from rules.model.memory import Memory
from rules.model.reading import Moment
from rules.model.settings import Settings
from rules.model.snapshot import Snapshot


def due(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, guards: Precedence = GUARDS) -> float:
    """Forward-clock second of the next instant at which time alone can change the decision; inf if there is none.

    memory: as decide left it for this snapshot and instant. The result is the earliest of the guards' deadlines, always
    later than `now`: at exactly that second, as a float of UTC seconds, the decision is already the new one. It covers
    the readings' ages, the rules' timers, and the instant at which the prices change, when the maker of the snapshot
    must renew it.
    """
    first_s = NEVER_S
    for next_s in guards.deadlines:
        at_s = next_s(snapshot, settings, memory, now)
        if at_s < first_s:
            first_s = at_s
    return first_s
