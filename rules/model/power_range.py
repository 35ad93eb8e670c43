"""The powers a heater can be ordered to take: from its least power to its rated power, in its steps if it has any."""

from math import ceil

from rules.model.settings import Heater


def lowest_w(heater: Heater) -> int:
    """The least power the heater can be ordered to take, whole W."""
    steps = _steps(heater)
    return steps[0] if steps else ceil(heater.minimum_w)


def fit_w(heater: Heater, target_w: float, below_w: int) -> int:
    """The power to order, whole W: the target within the heater's range, rounded down to its steps.

    below_w: what is ordered if the target is less than the heater can take.
    """
    if target_w < lowest_w(heater):
        return below_w
    watts = int(min(target_w, heater.rated_w))
    return max((step for step in _steps(heater) if step <= watts), default=watts)


def _steps(heater: Heater) -> tuple[int, ...]:
    """The steps within the heater's range; all steps if none is within it."""
    if not heater.steps_w:
        return ()
    return tuple(w for w in heater.steps_w if heater.minimum_w <= w <= heater.rated_w) or heater.steps_w
