"""The owner's override: setting it, ending it, and the order it gives a heater.

An override always ends, and it defeats no hard guard.
"""

from dataclasses import replace
from math import isfinite

from rules.model.errors import BrimfulError
from rules.model.memory import Memory, Override
from rules.model.orders import Order
from rules.model.reading import Moment
from rules.model.settings import Settings


def set_override(memory: Memory, order: Order, until_s: float, heater: str | None = None) -> Memory:
    """The memory with an override that ends at forward-clock second `until_s`.

    heater: the name of the heater it is for; None: the preferred heater, or all heaters if the order is `withhold`.
    Raises BrimfulError if `until_s` is infinite or not a number.
    """
    if not isfinite(until_s):
        raise BrimfulError("set an override", "override", "expected an end, got none", "give how long it lasts")
    return replace(memory, override=Override(order, until_s, heater))


def clear_override(memory: Memory) -> Memory:
    """The memory without an override."""
    return memory if memory.override is None else replace(memory, override=None)


def override_order(settings: Settings, memory: Memory, now: Moment, i: int) -> Order | None:
    """The order that the override gives heater `i`; None if it gives it none.

    It gives none if there is no override, if it has ended, if it is for another heater, or if it is `heat` and this
    heater cannot obey `heat`.
    """
    override = memory.override
    if override is None or now.mono_s >= override.until_s:
        return None
    if override.heater is None:
        if i > 0 and override.order is not Order.WITHHOLD:
            return None
    elif settings.heaters[i].name != override.heater:
        return None
    if override.order is Order.HEAT and not settings.heaters[i].can_heat:
        return None
    return override.order
