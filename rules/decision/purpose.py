"""Whether any rule may heat on a purpose of its own, such as hygiene. Such heating does not wait for the sun."""

from rules.guards import GUARDS, override
from rules.guards.guard import NEVER_S
from rules.guards.precedence import Precedence
from rules.model.memory import Memory
from rules.model.orders import ALLOW
from rules.model.reading import Moment
from rules.model.settings import Settings
from rules.model.share import WHOLE
from rules.model.snapshot import Snapshot


def has_purpose(
    snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, guards: Precedence = GUARDS
) -> bool:
    """Whether a guard that may require an order requires one now, or waits for an instant at which it may.

    The owner's override does not count. memory: as decide left it.
    """
    for guard in guards:
        if guard.NAME not in guards.requiring or guard.NAME == override.NAME:
            continue
        if guard.next_s(snapshot, settings, memory, now) < NEVER_S:
            return True
        for i in range(len(settings.heaters)):
            if guard.judge(snapshot, settings, memory, now, i, WHOLE) is not ALLOW:
                return True
    return False
