"""How the values of a guessed signal behaved while they were heard, and what that says for or against it. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from daemon.inputs.decode import Source
from daemon.setup.survey import Topic
from rules.model.formatting import duration
from rules.model.signals import SIGNALS
from rules.model.wording import Number, say

_USUAL_STALE_S = {"tank": 900.0, "price": 3600.0, "other": 60.0}
_LONGEST_STALE_S = 86_400.0
_ON_CHANGE_S = 14_400
"""Named where a tank's level came at most once: how long a value of a tank that sends changes alone may count, s
(common practice, no source). Only named: until its owner says so, a silent level ends the heating."""
_SMALL_W = 25.0
"""Powers whose fractions matter and that never exceed this are kW: a house takes 0.1 to 20 of them (common practice,
no source)."""
_STEADY = 6
"""Readings that only ever grew, from which it counts as a counter's course."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What the values were like. count: how many; rose, fell: steps up and down; whole: all of them whole numbers."""

    count: int
    low: float
    high: float
    rose: int
    fell: int
    whole: bool


def seen(values: Sequence[tuple[float, float]]) -> Seen:
    """values: when, and the value in the signal's unit; at least one, ascending in time."""
    numbers = [value for _, value in values]
    steps = [after - before for before, after in pairwise(numbers)]
    return Seen(
        len(numbers),
        min(numbers),
        max(numbers),
        sum(step > 0 for step in steps),
        sum(step < 0 for step in steps),
        all(value == int(value) for value in numbers),
    )


def fits(signal: str, course: Seen) -> int:
    """2 where the course is that of such a signal, 1 where it tells nothing, 0 where it speaks against it."""
    if SIGNALS[signal].kind == "counter":
        return 0 if course.fell else 2 if course.rose else 1
    if SIGNALS[signal].unit == "W":
        return 0 if _only_grew(course) and course.low > 20_000 else 2 if course.fell else 1
    return 1


def _only_grew(course: Seen) -> bool:
    return course.count >= _STEADY and course.fell == 0 and course.rose >= _STEADY - 1


def doubts_of(source: Source, course: Seen, content: Topic, states_unit: bool) -> tuple[Source, list[str]]:
    """The source with the scale that its values ask for, and what is doubtful.

    states_unit: whether its name or its payload says the unit.
    """
    signal = SIGNALS[source.signal]
    doubts: list[str] = []
    if on_change_alone(source.signal, content):
        doubts.append(
            say(
                "{came}. If it is sent on change alone, uncomment stale_after_s: a value then counts for so long, and"
                " so does that of a sensor that has failed",
                came=say("it came only retained") if content.retained else say("it came once"),
            )
        )
    elif content.retained:
        doubts.append(say("only a retained value was heard, nothing live: is its sender running?"))
    if signal.kind == "counter" and course.fell:
        doubts.append(
            say("it went back while it was listened to: a counter never does; is it a power, or a daily figure?")
        )
    if signal.unit == "W" and _only_grew(course) and course.low > 20_000:
        doubts.append(say("it only ever grew: is it a counter?"))
    if states_unit:
        return source, doubts
    if signal.unit == "W":
        largest = max(abs(course.low), abs(course.high))
        if largest == 0:
            doubts.append(say("it was 0 all the time and states no unit: it may be W or kW; kW need scale = 1000"))
        elif largest < _SMALL_W and not course.whole:
            source = replace(source, scale=source.scale * 1000)
            doubts.append(say("no unit is stated; figures this small are taken as kW. If they are W, leave scale out"))
        elif largest < 100:
            doubts.append(say("no unit is stated; taken as W. If it is kW, set scale = 1000"))
    elif signal.unit == "Wh":
        if not course.whole:
            source = replace(source, scale=source.scale * 1000)
            doubts.append(
                say("no unit is stated; a counter with decimals is taken as kWh. If it counts Wh, leave scale out")
            )
        else:
            doubts.append(say("no unit is stated; whole numbers are taken as Wh. If it counts kWh, set scale = 1000"))
    elif signal.unit == "%" and course.high <= 1 and not course.whole:
        source = replace(source, scale=source.scale * 100)
        doubts.append(say("it never exceeded 1: taken as a share of 1. If it is per cent, leave scale out"))
    return source, doubts


def on_change_alone(signal: str, content: Topic) -> bool:
    """Whether it may be the level of a tank that sends changes alone."""
    return signal.startswith("tank_") and content.live < 2


def offers_of(signal: str, content: Topic) -> tuple[str, ...]:
    """Keys for its table that its owner has to decide about."""
    return (f"stale_after_s = {_ON_CHANGE_S}",) if on_change_alone(signal, content) else ()


def resting_s(signal: str, content: Topic) -> float | None:
    """How long a value has to count where it comes more slowly than usual, s; None where the usual time does."""
    known = SIGNALS[signal]
    usual_s = _USUAL_STALE_S["tank" if signal.startswith("tank_") else known.kind if known.kind == "price" else "other"]
    period_s = content.period_s
    if period_s is None:
        return None
    if period_s * 3 <= usual_s:
        return None
    return min(_LONGEST_STALE_S, float(-int(-period_s * 3 // 10) * 10))


def pace(content: Topic) -> str:
    """How often a topic came, in words."""
    if content.retained:
        return say("retained only")
    period_s = content.period_s
    often = (
        say("once")
        if period_s is None
        else say("every {period}", period=duration(period_s))
        if period_s >= 1
        else say("every {period}", period=Number(f"{period_s:.2g} s"))
    )
    return often if content.live == content.count else say("{often}, retained", often=often)
