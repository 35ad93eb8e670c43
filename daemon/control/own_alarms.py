"""Alarms of what the rules cannot see: the machine's clock, strangers on an order topic, side work that fails."""

from daemon.timing.events import Meddled
from rules.alarms import Alarm
from rules.model.reading import Moment
from rules.model.wording import say

MEDDLED_S = 3600.0
"""How long a stranger's order is said: it may come again."""


class OwnAlarms:
    """Those that stand, each until its end. Its owner alone touches it."""

    def __init__(self) -> None:
        self._standing: dict[str, tuple[Alarm, float]] = {}

    def add(self, alarm: Alarm, until_s: float = float("inf")) -> None:
        """Raise an alarm, or keep the one of its name standing. until_s: forward-clock second of its end."""
        standing = self._standing.get(alarm.name)
        self._standing[alarm.name] = (standing[0] if standing is not None else alarm, until_s)

    def stands(self, name: str) -> bool:
        """Whether one of that name was raised and not yet dropped."""
        return name in self._standing

    def drop(self, name: str) -> None:
        """End an alarm."""
        self._standing.pop(name, None)

    def standing(self, now: Moment) -> tuple[Alarm, ...]:
        """Those that stand now; nearly always none."""
        if not self._standing:
            return ()
        self._standing = {name: kept for name, kept in self._standing.items() if now.mono_s < kept[1]}
        return tuple(alarm for alarm, _ in self._standing.values())


def meddling(event: Meddled, now: Moment) -> Alarm:
    """The alarm of a stranger's order."""
    kept = (
        say(
            "the broker kept it (retained) for every heater that connects: it was cleared and the right "
            "order sent again"
        )
        if event.retained
        else say("the heater is to be withheld: `withhold` was sent again at once")
        if event.answered
        else say("the right order follows at the next refresh")
    )
    sentence = say(
        "somebody else ordered {payload} on {topic}, the order topic of heater {heater}; {kept}. Find "
        "what publishes there, perhaps a second brimful, and let only brimful write to that topic",
        payload=f"{event.payload!r}",
        topic=event.topic,
        heater=event.heater,
        kept=kept,
    )
    return Alarm(f"order topic: {event.heater}", sentence, now.mono_s)


def failing(job: str, error: Exception, now: Moment) -> Alarm:
    """The alarm of a side job that ends with an error nobody foresaw."""
    sentence = say(
        "job: {job} fails ({kind}: {error}): the heaters are looked after all the same, this is not; "
        "report it as an error, with the daemon's log",
        job=job,
        kind=type(error).__name__,
        error=error,
    )
    return Alarm(f"job: {job}", sentence, now.mono_s)
