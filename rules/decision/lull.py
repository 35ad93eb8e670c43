"""A lull: the range of readings in which the decision cannot change.

Within it `decide` need not run. A lull is worked out from a decision that has just been made, and only if few things
can end it: the level, the mean surplus, what the heater takes, the readings' ages, a timer, a change of prices. Every
heater is withheld, perhaps because no surplus is heard, or the only one takes surplus. There is no lull in a home with
temperatures, a battery rule, a load that goes first or a hygiene rule, nor in one that may be heated on purpose or that
uses a guard which this module does not know.
"""

from dataclasses import replace
from math import inf, nextafter

from rules.decision.deadlines import due
from rules.decision.purpose import has_purpose
from rules.guards import GUARDS, limit
from rules.guards.surplus import start_w, stop_w
from rules.model.freshness import is_fresh
from rules.model.memory import Memory
from rules.model.orders import Order
from rules.model.reading import Moment, Reading
from rules.model.record import record
from rules.model.settings import Settings
from rules.model.share import WHOLE
from rules.model.signals import SIGNALS
from rules.model.snapshot import Prices, Snapshot

_FRESH, _SURPLUS = "fresh", "surplus"
_DECIDE = frozenset({"full", "away", "alternate", "worth", _SURPLUS})
"""Guards whose refusal depends only on what a lull watches."""
_KNOWN = (
    frozenset({"limit", _FRESH, "override", "together", "battery", "yield", "rest", "plan", "hygiene", "return"})
    | _DECIDE
)
_ALL_KNOWN = {guard.NAME for guard in GUARDS} <= _KNOWN
_LEVEL, _POWER = SIGNALS["tank_level_pct"], SIGNALS["surplus_w"]
_HIGHEST_PCT = nextafter(_LEVEL.highest, inf)
_LOWEST_W, _HIGHEST_W = _POWER.lowest, _POWER.highest


@record
class Lull:
    """Under these settings, this memory and these prices the decision stands while all of the following holds.

    level_from_pct, level_below_pct: the level lies between them, the first included; mean_from_w, mean_below_w: so does
    the mean surplus; idle_w: the heater's meter, if it has one, shows no less; most_taken_wh: the heaters have put in
    no more since the level last moved; until_s: forward-clock second before which time alone changes nothing, the age
    of level and surplus aside, which may be level_age_s and surplus_age_s; silent: the surplus, if it is too old
    already, until another is heard. It is worked out by the wall clock of then: whoever keeps a lull ends it where that
    clock is set.
    """

    settings: Settings
    memory: Memory
    prices: Prices
    level_from_pct: float
    level_below_pct: float
    mean_from_w: float
    mean_below_w: float
    idle_w: float
    most_taken_wh: float
    until_s: float
    level_age_s: float
    surplus_age_s: float
    silent: Reading | None

    def due_s(
        self,
        level: Reading | None,
        surplus: Reading | None,
        mean_w: float | None,
        measured: Reading | None,
        taken_wh: float,
        now_s: float,
    ) -> float | None:
        """When time alone may end it, as `deadlines.due` would answer; None if one of these values has ended it.

        measured: what the first heater's meter shows, if it has one.
        """
        if (
            level is None
            or surplus is None
            or mean_w is None
            or not self.level_from_pct <= level.value < self.level_below_pct
            or not self.mean_from_w <= mean_w < self.mean_below_w
            or taken_wh > self.most_taken_wh
            or not _LOWEST_W <= surplus.value <= _HIGHEST_W
            or (measured is not None and measured.value < self.idle_w)
            or (self.silent is not None and surplus is not self.silent)
        ):
            return None
        until_s = self.until_s
        if (stale_s := level.seen_s + self.level_age_s) < until_s:
            until_s = stale_s
        if (stale_s := surplus.seen_s + self.surplus_age_s) < until_s:
            until_s = stale_s
        return until_s if now_s < until_s else None


def lull(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment) -> Lull | None:
    """The lull that follows a decision; None if there is none. memory: as `decide` left it."""
    decision, level, surplus = memory.decision, snapshot.level, snapshot.surplus
    battery = settings.battery
    if (
        not _ALL_KNOWN
        or decision is None
        or level is None
        or surplus is None
        or memory.override is not None
        or memory.frozen is not None
        or memory.hot_since_s is not None
        or limit.is_checked(snapshot, settings)
        or battery.minimum_level_pct is not None
        or battery.maximum_discharge_w is not None
        or settings.yields is not None
        or settings.hygiene is not None
        or has_purpose(snapshot, settings, memory, now)
    ):
        return None
    mean_from_w, mean_below_w, idle_w = -inf, inf, -inf
    silent = None if is_fresh(surplus, settings, now) or not is_fresh(level, settings, now) else surplus
    for heater, given, past in zip(settings.heaters, decision.orders, memory.heaters, strict=True):
        if past.satisfied_at_s is not None or past.idle_since_s is not None:
            return None
        if given.order is Order.WITHHOLD and (given.guard in _DECIDE or (silent is not None and given.guard == _FRESH)):
            if given.guard == _SURPLUS:
                mean_below_w = min(mean_below_w, start_w(settings, heater))
        elif given.order is Order.SURPLUS and given.guard == _SURPLUS and _is_one_gate(settings):
            mean_from_w, idle_w = stop_w(settings, heater, WHOLE), settings.full.idle_w
        else:
            return None
    full = memory.full_since_s is not None
    return Lull(
        settings,
        memory,
        snapshot.prices,
        settings.full.resume_below_pct if full else _LEVEL.lowest,
        _HIGHEST_PCT if full else settings.full.stop_at_pct,
        mean_from_w,
        mean_below_w,
        idle_w,
        settings.tank.full_wh if settings.tank is not None else inf,
        due(replace(snapshot, level=None, surplus=None), settings, memory, now),
        settings.stale_after_s.get(level.signal, 0.0),
        settings.stale_after_s.get(surplus.signal, 0.0) if silent is None else inf,
        silent,
    )


def _is_one_gate(settings: Settings) -> bool:
    """Whether there is one heater, which takes what surplus it finds: its order carries no watts that would change."""
    return len(settings.heaters) == 1 and settings.heaters[0].kind == "gate"
