"""Which alarms are worth an event: each once while it lasts, and once when it ends, at most hourly.

The list of standing alarms is always complete; only events are held back. An alarm that comes again within AGAIN_S of
its last event is announced when that time is over, if it still stands. Its end is announced only if its beginning was.
"""

from dataclasses import dataclass
from typing import Literal, NamedTuple

from rules.alarms.alarm import Alarm
from rules.model import wording
from rules.model.formatting import duration
from rules.model.reading import Moment

AGAIN_S = 3600.0


class News(NamedTuple):
    """An event."""

    kind: Literal["alarm", "recovered"]
    name: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Announced:
    """What was announced. at_s: by name, when it last was, forward-clock seconds; open: alarms whose end has not been
    announced yet; due_s: when the next alarm that is held back is due.
    """

    at_s: tuple[tuple[str, float], ...] = ()
    open: tuple[Alarm, ...] = ()
    due_s: float = float("inf")


def news(alarms: tuple[Alarm, ...], announced: Announced, now: Moment) -> tuple[list[News], Announced]:
    """The events to announce now, and what to remember. Call it when the alarms change, and at `due_s`."""
    standing = {alarm.name for alarm in alarms}
    begun: list[News] = []
    ended: list[News] = []
    still_open = []
    for alarm in announced.open:
        if alarm.name in standing:
            still_open.append(alarm)
        else:
            gone = duration(now.mono_s - alarm.since_s)
            sentence = wording.say("recovered after {time}: {alarm}", time=gone, alarm=alarm.sentence)
            ended.append(News("recovered", alarm.name, sentence))
    opened = {alarm.name for alarm in still_open}
    at_s = {name: last_s for name, last_s in announced.at_s if name in opened or now.mono_s < last_s + AGAIN_S}
    due_s = float("inf")
    for alarm in alarms:
        if alarm.name in opened:
            continue
        if alarm.name in at_s:
            due_s = min(due_s, at_s[alarm.name] + AGAIN_S)
            continue
        begun.append(News("alarm", alarm.name, alarm.sentence))
        still_open.append(alarm)
        at_s[alarm.name] = now.mono_s
    return begun + ended, Announced(tuple(at_s.items()), tuple(still_open), due_s)
