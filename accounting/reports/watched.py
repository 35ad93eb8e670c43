"""What the rules would have changed while they only watched: their orders beside what the heater actually took.

Each moment is judged as it was recorded. Under the rules' control the tank would have held other heat, and later
moments would have differed. So the figures show what was open to the heater and what it took against the rules, but not
what a year under the rules would have brought. Pure: decisions and recorded minutes come in.
"""

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from accounting.ledger.records import DecisionRow, EventRow
from accounting.ledger.tape import Row
from rules.model.orders import Order

MODE = "mode"
"""The name of the events that record since when the rules watch or control; `figures` holds mode and utc_s."""
LONGEST_STEP_S = 900
"""A longer silence is not judged, s: nobody knows what the heater took in it, and when."""

Span = tuple[float, float]
"""UTC seconds, the end not included."""


@dataclass(frozen=True, slots=True)
class Meters:
    """Where one heater's energy and the surplus are recorded.

    counter, power: signals of the heater (None: there is none); surplus: signal and the factor that makes it the power
    leaving the house, + W; rated_w: the heater's.
    """

    counter: str | None
    power: str | None
    surplus: tuple[str, float]
    rated_w: float


@dataclass(slots=True)
class Under:
    """What was recorded under one answer of the rules: seconds, Wh the heater took, Wh that left the house and that
    the heater could have taken besides."""

    seconds: float = 0.0
    taken_wh: float = 0.0
    left_wh: float = 0.0


@dataclass(slots=True)
class Watched:
    """One heater over the watched spans. permitted, withheld: what happened under each; by_guard: the withheld, by the
    guard that decided; watched_s: length of the spans; the rest of it was not recorded well enough to judge."""

    watched_s: float = 0.0
    permitted: Under = field(default_factory=Under)
    withheld: Under = field(default_factory=Under)
    by_guard: dict[str, Under] = field(default_factory=dict)

    @property
    def unknown_s(self) -> float:
        """Watched time that could not be judged, s."""
        return max(0.0, self.watched_s - self.permitted.seconds - self.withheld.seconds)


def watched_spans(events: Iterable[EventRow], from_s: float, to_s: float) -> list[Span]:
    """The spans of [from_s, to_s) in which the rules only watched. events: ascending; those of other names are passed
    over. Before the first of them the rules controlled."""
    spans: list[Span] = []
    since_s: float | None = None
    for event in events:
        if event.name != MODE:
            continue
        if event.figures.get("mode") == "watch":
            since_s = event.at_s if since_s is None else since_s
        elif since_s is not None:
            spans.append((since_s, event.at_s))
            since_s = None
    if since_s is not None:
        spans.append((since_s, to_s))
    cut = ((max(start_s, from_s), min(end_s, to_s)) for start_s, end_s in spans)
    return [span for span in cut if span[0] < span[1]]


def watched(
    decided: Mapping[str, Sequence[DecisionRow]],
    rows: Iterable[Row],
    spans: Sequence[Span],
    meters: Mapping[str, Meters],
) -> Mapping[str, Watched]:
    """Judge the recorded steps of all heaters, by heater, reading the rows once.

    decided: each heater's decisions, ascending, the one standing at the first span's start among them; rows: the
    tape's, ascending; meters: of each heater. A step is judged by the order that stood at its middle.
    """
    found = {name: _Judged(decided.get(name, ()), spans, each) for name, each in meters.items()}
    for at_s, values in rows:
        for each in found.values():
            each.hear(at_s, values)
    return {name: each.found for name, each in found.items()}


class _Judged:
    """One heater's steps as they are judged."""

    def __init__(self, decided: Sequence[DecisionRow], spans: Sequence[Span], meters: Meters) -> None:
        self.found = Watched(sum(end_s - start_s for start_s, end_s in spans))
        self._decided, self._spans, self._meters = decided, spans, meters
        self._starts = [row.at_s for row in decided]
        self._last: tuple[float, float] | None = None
        self._surplus: tuple[float, float] | None = None

    def hear(self, end_s: float, values: Mapping[str, float]) -> None:
        """Judges the step that ends with this row, UTC seconds, where it is short enough to be judged. Its surplus is
        the last one known at its end, if that is as recent."""
        meters = self._meters
        surplus_signal, sign = meters.surplus
        if surplus_signal in values:
            self._surplus = end_s, values[surplus_signal] * sign
        meter = meters.counter or meters.power
        if meter is None or meter not in values:
            return
        value = values[meter]
        last, surplus = self._last, self._surplus
        self._last = float(end_s), value
        if last is None or surplus is None:
            return
        start_s, before = last
        seconds = end_s - start_s
        wh = value - before if meters.counter is not None else before * seconds / 3600.0
        if 0 < seconds <= LONGEST_STEP_S and end_s - surplus[0] <= LONGEST_STEP_S and wh >= 0:
            self._judge(start_s, seconds, wh, surplus[1])

    def _judge(self, start_s: float, seconds: float, taken_wh: float, surplus_w: float) -> None:
        middle_s = start_s + seconds / 2
        known = bisect_right(self._starts, middle_s) - 1
        if known < 0 or not any(begun_s <= middle_s < ended_s for begun_s, ended_s in self._spans):
            return
        room_w = max(0.0, self._meters.rated_w - taken_wh * 3600.0 / seconds)
        left_wh = min(max(0.0, surplus_w), room_w) * seconds / 3600.0
        found, row = self.found, self._decided[known]
        if row.order is Order.WITHHOLD:
            for under in (found.withheld, found.by_guard.setdefault(row.guard, Under())):
                _add(under, seconds, taken_wh, left_wh)
        else:
            _add(found.permitted, seconds, taken_wh, left_wh)


def _add(under: Under, seconds: float, taken_wh: float, left_wh: float) -> None:
    under.seconds += seconds
    under.taken_wh += taken_wh
    under.left_wh += left_wh


def by_heater(decided: Iterable[DecisionRow]) -> Mapping[str, list[DecisionRow]]:
    """The decisions of each heater, in their order."""
    found: dict[str, list[DecisionRow]] = {}
    for row in decided:
        found.setdefault(row.heater, []).append(row)
    return found
