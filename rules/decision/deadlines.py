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

    memory: as decide left it for this snapshot and instant. The answer is the first of the guards' own, always later
    than `now`: at that very second the decision is already the other one. Beyond the readings' ages and the rules'
    timers it counts the instant at which other prices hold: the owner of the snapshot has to renew it then.
    """
    first_s = NEVER_S
    for next_s in guards.deadlines:
        at_s = next_s(snapshot, settings, memory, now)
        if at_s < first_s:
            first_s = at_s
    return first_s
