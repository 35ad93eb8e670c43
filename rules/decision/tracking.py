"""Watts for a modulated heater: what flows to the grid now plus what the heaters take, less a margin.

Each new surplus reading gives one step, from the latest values, not from the mean: the mean decides whether to divert,
the latest reading how much. A correction too small to be worth a message (under 1 % of the rated power, and under the
margin, which absorbs it) is left out. If meter and heater answer at different speeds, the corrections swing to and fro;
after the set number of changes of sign within the window, steps are halved until the swings have died away.
"""

from dataclasses import replace

from rules.model.freshness import is_fresh
from rules.model.memory import HeaterMemory, Memory
from rules.model.orders import Order
from rules.model.power_range import fit_w
from rules.model.reading import Moment
from rules.model.settings import Heater, Settings, Tracking
from rules.model.snapshot import Snapshot

_LEAST_CORRECTION = 0.01
"""Share of the rated power below which a correction is left out."""


def available_w(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment) -> float:
    """Latest surplus plus what all heaters take, W.

    A heater without a fresh meter is assumed to take what it was ordered. What a gate on `surplus` takes is then not
    known, and counts as 0.
    """
    total_w = snapshot.surplus.value if snapshot.surplus is not None else 0.0
    for i, heater in enumerate(settings.heaters):
        reading = snapshot.measured[i] if i < len(snapshot.measured) else None
        if reading is not None and is_fresh(reading, settings, now):
            total_w += max(reading.value, 0.0)
        elif memory.decision is not None:
            standing = memory.decision.orders[i]
            if standing.order is Order.HEAT:
                total_w += heater.rated_w
            elif standing.watts is not None:
                total_w += standing.watts
    return total_w


def step(
    heater: Heater,
    tracking: Tracking,
    past: HeaterMemory,
    standing_w: int | None,
    target_w: float,
    seen_s: float,
    below_w: int,
) -> tuple[int, HeaterMemory]:
    """The power to order next, whole W, and the heater's memory after it.

    standing_w: what it was ordered before (None: it was off). target_w: the available power less the margin. seen_s:
    when the surplus reading behind it was heard; the same reading gives no second step. below_w: as in `fit_w`.
    """
    if standing_w is None:
        return fit_w(heater, target_w, below_w), replace(past, tracked_s=seen_s, reversals_s=(), step_sign=0)
    kept_w = fit_w(heater, standing_w, below_w)
    if seen_s == past.tracked_s:
        return kept_w, past
    aim_w = fit_w(heater, target_w, below_w)
    correction_w = aim_w - standing_w
    if abs(correction_w) < max(1.0, min(_LEAST_CORRECTION * heater.rated_w, tracking.margin_w)):
        return kept_w, replace(past, tracked_s=seen_s)
    sign = 1 if correction_w > 0 else -1
    reversals_s = tuple(at_s for at_s in past.reversals_s if at_s > seen_s - tracking.over_s)
    if sign * past.step_sign < 0:
        reversals_s = (*reversals_s, seen_s)
    if len(reversals_s) >= tracking.reversals:
        aim_w = fit_w(heater, standing_w + correction_w / 2, below_w)
    return aim_w, replace(past, tracked_s=seen_s, reversals_s=reversals_s, step_sign=sign)
