"""Nobody is home: nothing is heated; but where the owner asks for it, the tank is hot at the hour of return.

When that heating begins is planned elsewhere (rules/planning/heating_times.py).
"""

from rules.guards.guard import NEVER_S
from rules.model.formatting import clock
from rules.model.memory import Memory
from rules.model.orders import ALLOW, FORBID, REQUIRE, Finding, Judgement, Order
from rules.model.reading import Moment
from rules.model.settings import Settings
from rules.model.share import Share
from rules.model.snapshot import Snapshot

NAME = "away"


def absence(settings: Settings, utc_s: float) -> tuple[float, float] | None:
    """The absence that covers a UTC second, as (start, end); None at home."""
    for period in settings.away.periods:
        if utc_s < period[0]:
            return None
        if utc_s < period[1]:
            return period
    return None


def judge(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Judgement:
    """FORBID during an absence, but `heat` in the stretch before the return, of the heater that is to."""
    if not settings.away.periods:
        return ALLOW
    if absence(settings, now.utc_s) is None:
        return ALLOW
    return Order.HEAT if _heats(snapshot, settings, now, i) else FORBID


def next_s(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment) -> float:
    """When an absence begins or ends, or the heating for the return does, or is planned anew."""
    first_s = NEVER_S
    for start_s, end_s in settings.away.periods:
        if now.utc_s < end_s:
            first_s = start_s if now.utc_s < start_s else end_s
            break
    if settings.away.heater:
        planned = snapshot.planned
        for edge_s in (planned.until_s, *(planned.homecoming or ())):
            if now.utc_s < edge_s < first_s:
                first_s = edge_s
    return NEVER_S if first_s == NEVER_S else now.mono_of(first_s)


def say(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share) -> Finding:
    """The verdict in words."""
    period = absence(settings, now.utc_s)
    if period is not None:
        until = clock(period[1], settings.timezone, now.utc_s)
        stretch = snapshot.planned.homecoming
        if stretch is None or now.utc_s >= stretch.until_s:
            return Finding(NAME, FORBID, f"away until {until}", f"resumes at {until}")
        begins, ends = (clock(edge_s, settings.timezone, now.utc_s) for edge_s in stretch)
        if _heats(snapshot, settings, now, i):
            sentence = f"away until {until}, and the tank is to be hot then"
            return Finding(NAME, REQUIRE, sentence, f"ends at {ends}", Order.HEAT)
        if settings.heaters[i].name == settings.away.heater:
            return Finding(NAME, FORBID, f"away until {until}", f"heats for the return from {begins}")
        return Finding(NAME, FORBID, f"away until {until}", f"resumes at {until}")
    starts = [start_s for start_s, _ in settings.away.periods if start_s > now.utc_s]
    if starts:
        return Finding(NAME, ALLOW, f"home; away from {clock(starts[0], settings.timezone, now.utc_s)}")
    return Finding(NAME, ALLOW, "home, no absence ahead")


def _heats(snapshot: Snapshot, settings: Settings, now: Moment, i: int) -> bool:
    """Whether heater `i` is to heat for the return now. Asked during an absence alone."""
    stretch = snapshot.planned.homecoming
    heater = settings.heaters[i]
    if stretch is None or heater.name != settings.away.heater or not heater.can_heat:
        return False
    return stretch.from_s <= now.utc_s < stretch.until_s
