"""Where a counter stands: what one more reading makes of it. Pure: a standing and a reading in, a standing and its
effects out, so that a late reading can be put in place by undoing the later ones.

Which readings are believed:
- A reading below the last good one is a glitch, unless it and the next two stay below and never decrease. Then the
  counter was reset and has restarted from 0, if it starts with no more than half of what it showed; what it shows is
  booked if the heater can have taken it since, and set aside by name if not. Otherwise it is another source, or a
  rounding: the count goes on from there, nothing is booked for the step, and a note names it. (A register that climbs
  past its old reading within two readings of a reset looks like a glitch: nothing shows the difference.)
- A reading further ahead than the heater's rated power allows (and 10 %, the counter's resolution, and the jitter of
  the readings' times) is a glitch, unless the next reading stands on it: then the step goes to quarantine and the
  counter goes on from there.
- The resolution is the stated one or, where it is coarser, the register's own: all its readings are multiples of it.
  Such a step must be possible since the register last moved.
- Readings that are not taken, but go on from one another, come from another source: a note names it at the third. What
  the register showed before a restart is remembered as such: should that go on after all, the low readings were the
  other source's. Once named it is remembered, and no change to it and back is a step ahead or a restart.
"""

from dataclasses import dataclass
from math import gcd
from typing import Any, NamedTuple

MWMS_PER_WH = 3_600_000_000
JITTER_MS = 30_000
"""By how much the stamps of two readings may lie nearer together than the readings did: devices stamp when they send,
and networks hold readings up."""
COARSEST_WH = 1000
"""No energy counter has a coarser step; a larger one is not learnt."""

_ALLOWED_TENTHS = 11
"""Tenths of the rated power that a step may show."""
_KNOWN_AT, _NAMED_AT = 2, 3
"""Readings that go on from one another before they are taken for another source's, and before that is said."""


class Other(NamedTuple):
    """Readings that go on from one another beside those that count: the last one's ms and Wh, and how many."""

    at_ms: int
    wh: int
    times: int


class Standing(NamedTuple):
    """Where a counter stands.

    good_ms, good_wh: the last good reading; doubt: the readings after it that are in doubt, as (ms, Wh); grain_wh: the
    greatest step of which all good readings are multiples; moved_ms: the last good reading before the register last
    moved (None: it has not moved yet); other: another source's readings.
    """

    good_ms: int
    good_wh: int
    doubt: tuple[tuple[int, int], ...] = ()
    grain_wh: int = 0
    moved_ms: int | None = None
    other: Other | None = None


class Booked(NamedTuple):
    """Energy that the heater took between two instants, ms."""

    from_ms: int
    to_ms: int
    wh: int


class Aside(NamedTuple):
    """Energy that it cannot have taken, set aside by name; 0 Wh for a mere note."""

    from_ms: int
    to_ms: int
    wh: int
    why: str


class Glitches(NamedTuple):
    """Readings that were passed over."""

    many: int


class Reset(NamedTuple):
    """The counter restarted from 0."""


Effect = Booked | Aside | Glitches | Reset


@dataclass(frozen=True, slots=True)
class Limits:
    """What a heater's counter can show: by its rated power, W, the counter's stated resolution and the coarsest step it
    may be found to have, Wh."""

    rated_w: float
    resolution_wh: float
    coarsest_wh: int = COARSEST_WH

    @property
    def per_ms(self) -> int:
        """Tenths of mWms that the heater can take in a millisecond, 10 % more than rated."""
        return round(self.rated_w * 1000) * _ALLOWED_TENTHS

    @property
    def slack(self) -> int:
        """Tenths of mWms that a step may show beyond that: stated resolution and jitter."""
        return round(self.resolution_wh) * 10 * MWMS_PER_WH + self.per_ms * JITTER_MS

    def possible(self, step_wh: int, span_ms: int) -> bool:
        """Whether the heater can have taken this much in this time."""
        return step_wh * 10 * MWMS_PER_WH <= self.per_ms * span_ms + self.slack


def first(at_ms: int, wh: int) -> Standing:
    """The standing after the first reading ever."""
    return Standing(at_ms, wh, grain_wh=wh)


def after(standing: Standing | None, at_ms: int, wh: int, limits: Limits) -> tuple[Standing, list[Effect]]:
    """The standing after one more reading (UTC ms, Wh; later than those before), and what follows from it."""
    effects: list[Effect] = []
    return _after(standing, at_ms, wh, limits, effects), effects


def _after(standing: Standing | None, at_ms: int, wh: int, limits: Limits, effects: list[Effect]) -> Standing:
    if standing is None:
        return first(at_ms, wh)
    if standing.doubt:
        return _in_doubt(standing, at_ms, wh, limits, effects)
    step_wh = wh - standing.good_wh
    if step_wh < 0 or not _possible(standing, at_ms, wh, limits):
        return standing._replace(doubt=((at_ms, wh),))
    return _good(standing, at_ms, wh, effects)


def _in_doubt(standing: Standing, at_ms: int, wh: int, limits: Limits, effects: list[Effect]) -> Standing:
    good_ms, good_wh, doubt = standing[:3]
    first_ms, first_wh = doubt[0]
    if first_wh > good_wh and wh >= first_wh:
        # It stands on a step ahead: set aside, unless it is one step of a coarse register, as the reading after it
        # bears out, or the other source's again.
        ahead = standing._replace(doubt=())
        if _coarse(ahead, first_ms, first_wh, gcd(standing.grain_wh, first_wh, wh), limits):
            effects.append(Booked(good_ms, first_ms, first_wh - good_wh))
            ahead = _moved(ahead, first_ms, first_wh)
        elif _known(standing.other, first_ms, first_wh, limits):
            ahead = _changed_over(ahead, first_ms, first_wh, limits, effects)
        else:
            why = f"{first_wh - good_wh} Wh in {(first_ms - good_ms) / 1000:.0f} s is more than the heater can take"
            effects.append(Aside(good_ms, first_ms, first_wh - good_wh, why))
            ahead = _moved(ahead, first_ms, first_wh)
        return _after(ahead, at_ms, wh, limits, effects)
    if wh >= good_wh:
        return _after(_passed_over(standing, limits, effects), at_ms, wh, limits, effects)
    if wh < doubt[-1][1]:
        return _passed_over(standing, limits, effects)._replace(doubt=((at_ms, wh),))
    if len(doubt) < 2:
        return standing._replace(doubt=(*doubt, (at_ms, wh)))
    low = standing._replace(doubt=())
    restarted = first_wh * 2 <= good_wh and not (_proved(standing.other) and _known(standing.other, *doubt[0], limits))
    if restarted and limits.possible(first_wh, first_ms - good_ms):
        effects += [Reset(), Booked(good_ms, first_ms, first_wh)]
        # Should what it showed before go on after all, the low readings were another source's.
        low = _moved(low, first_ms, first_wh)._replace(other=Other(good_ms, good_wh, _KNOWN_AT))
    elif restarted and not _known(standing.other, first_ms, first_wh, limits):
        why = f"{first_wh} Wh shown after a restart is more than the heater can have taken since"
        effects += [Reset(), Aside(good_ms, first_ms, first_wh, why)]
        low = _moved(low, first_ms, first_wh)._replace(other=Other(good_ms, good_wh, _KNOWN_AT))
    else:
        low = _changed_over(low, first_ms, first_wh, limits, effects)
    low = _after(low, *doubt[1], limits, effects)
    return _after(low, at_ms, wh, limits, effects)


def _possible(standing: Standing, at_ms: int, wh: int, limits: Limits) -> bool:
    """Whether the register can have come so far. A coarse step counts only once the register has shown what it is."""
    if limits.possible(wh - standing.good_wh, at_ms - standing.good_ms):
        return True
    return standing.moved_ms is not None and _coarse(standing, at_ms, wh, gcd(standing.grain_wh, wh), limits)


def _coarse(standing: Standing, at_ms: int, wh: int, grain_wh: int, limits: Limits) -> bool:
    """Whether the step is one of a register as coarse as grain_wh, and possible since it last moved."""
    step_wh = wh - standing.good_wh
    coarser_wh = max(0, min(grain_wh, limits.coarsest_wh) - round(limits.resolution_wh))
    if not limits.possible(step_wh - coarser_wh, at_ms - standing.good_ms):
        return False
    return standing.moved_ms is None or limits.possible(step_wh, at_ms - standing.moved_ms)


def _good(standing: Standing, at_ms: int, wh: int, effects: list[Effect]) -> Standing:
    effects.append(Booked(standing.good_ms, at_ms, wh - standing.good_wh))
    return _moved(standing, at_ms, wh)


def _moved(standing: Standing, at_ms: int, wh: int) -> Standing:
    """The standing with a new good reading."""
    if wh == standing.good_wh:
        return standing._replace(good_ms=at_ms)
    return Standing(at_ms, wh, (), gcd(standing.grain_wh, wh), standing.good_ms, standing.other)


def _passed_over(standing: Standing, limits: Limits, effects: list[Effect]) -> Standing:
    """The standing without its doubt: those readings were wrong, or another source's."""
    effects.append(Glitches(len(standing.doubt)))
    other = standing.other
    for at_ms, wh in standing.doubt:
        if _proved(other) and not _goes_on(other, at_ms, wh, limits):
            continue  # a stray one is no reason to forget which two there are
        times = other.times + 1 if other is not None and _goes_on(other, at_ms, wh, limits) else 1
        other = Other(at_ms, wh, times)
        if times == _NAMED_AT:
            effects.append(Aside(at_ms, at_ms, 0, _two_sources(standing.good_wh, wh)))
    return standing._replace(doubt=(), other=other)


def _changed_over(standing: Standing, at_ms: int, wh: int, limits: Limits, effects: list[Effect]) -> Standing:
    """The standing after a change to another source, or to one that was there before: nothing is booked for it."""
    other = standing.other
    if other is not None and _known(other, at_ms, wh, limits):
        times = other.times + 1
        if times == _NAMED_AT:
            effects.append(Aside(at_ms, at_ms, 0, _two_sources(standing.good_wh, wh)))
    else:
        times = _KNOWN_AT
        step = f"the counter went back from {standing.good_wh} to {wh} Wh and stayed there"
        why = f"{step}: another source, or a rounding; it counts on from there, nothing is booked for the step"
        effects.append(Aside(standing.good_ms, at_ms, 0, why))
    return Standing(at_ms, wh, (), wh, None, Other(standing.good_ms, standing.good_wh, times))


def _goes_on(other: Other | None, at_ms: int, wh: int, limits: Limits) -> bool:
    """Whether a reading goes on from the other source's last. Its register may be as coarse as both show it to be."""
    if other is None or wh < other.wh:
        return False
    coarser_wh = min(gcd(other.wh, wh), limits.coarsest_wh)
    return limits.possible(max(0, wh - other.wh - coarser_wh), at_ms - other.at_ms)


def _known(other: Other | None, at_ms: int, wh: int, limits: Limits) -> bool:
    """Whether a reading goes on from a source that is known to be another."""
    return other is not None and other.times >= _KNOWN_AT and _goes_on(other, at_ms, wh, limits)


def _proved(other: Other | None) -> bool:
    """Whether another source has been named."""
    return other is not None and other.times >= _NAMED_AT


def _two_sources(taken_wh: int, other_wh: int) -> str:
    return (
        f"two sources send this counter and disagree: one shows {taken_wh} Wh, the other {other_wh} Wh; "
        "only steps within one of them are booked"
    )


def as_list(standing: Standing | None) -> list[Any] | None:
    """As plain JSON data, for `from_list`."""
    if standing is None:
        return None
    other = None if standing.other is None else list(standing.other)
    return [*standing[:2], [list(reading) for reading in standing.doubt], standing.grain_wh, standing.moved_ms, other]


def from_list(listed: list[Any] | None) -> Standing | None:
    """The standing of an `as_list`, also of one without a grain, of before 0.2."""
    if listed is None:
        return None
    good_ms, good_wh, doubt, *more = listed
    readings = tuple((at_ms, wh) for at_ms, wh in doubt)
    if not more:
        return Standing(good_ms, good_wh, readings, good_wh)
    grain_wh, moved_ms, other = more
    return Standing(good_ms, good_wh, readings, grain_wh, moved_ms, None if other is None else Other(*other))


def set_back(standing: Standing, by_ms: int) -> Standing:
    """The same dated earlier: the clock that dates the readings was set back."""
    moved_ms, other = standing.moved_ms, standing.other
    return standing._replace(
        good_ms=standing.good_ms - by_ms,
        doubt=tuple((at_ms - by_ms, wh) for at_ms, wh in standing.doubt),
        moved_ms=None if moved_ms is None else moved_ms - by_ms,
        other=None if other is None else other._replace(at_ms=other.at_ms - by_ms),
    )
