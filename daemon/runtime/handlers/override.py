"""The owner's override: an order for a while, whatever the soft rules say."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from daemon.config.cautions import of_override
from daemon.documents.times import iso
from daemon.runtime.controller import Controller
from daemon.runtime.reloading import HomeFile
from rules.model.errors import BrimfulError
from rules.model.formatting import clock, duration
from rules.model.orders import Order
from rules.model.overriding import clear_override, set_override
from rules.model.reading import Moment
from rules.model.wording import joined, say

LONGEST_OVERRIDE_S = 7 * 86_400.0
_OP = "set an override"


@dataclass(frozen=True, slots=True)
class SetOverride:
    """An order for so many seconds. heater: its name; None: the preferred one, or all if the order is `withhold`."""

    order: Order
    for_s: float
    heater: str | None


@dataclass(frozen=True, slots=True)
class ClearOverride:
    """The rules again."""


def read_override(arguments: Mapping[str, Any]) -> SetOverride | ClearOverride:
    """{"order", "for_s", "heater" (may be missing)}, or {"clear": true}. Raises BrimfulError."""
    if arguments.get("clear"):
        return ClearOverride()
    order = _order(arguments.get("order"))
    for_s = arguments.get("for_s")
    if isinstance(for_s, bool) or not (isinstance(for_s, int | float) and 1 <= for_s <= LONGEST_OVERRIDE_S):
        is_time = isinstance(for_s, int | float) and not isinstance(for_s, bool) and 1 <= for_s < 1e12
        got = str(for_s)[:40]
        if is_time:
            got = joined((f"{for_s:.12g} s (", duration(float(for_s or 0)), ")"), "")
        cause = say("expected 1 s to {longest}, got {got}", longest=duration(LONGEST_OVERRIDE_S), got=got)
        raise BrimfulError(_OP, "for_s", cause, say("an override always ends"))
    heater = arguments.get("heater")
    if heater is not None and not isinstance(heater, str):
        raise BrimfulError(_OP, "heater", f"expected a heater's name, got {str(heater)[:40]!r}")
    return SetOverride(order, for_s, heater)


def _order(name: Any) -> Order:
    try:
        return Order(name)
    except ValueError:
        raise BrimfulError(
            _OP, "order", f"expected {', '.join(order.value for order in Order)}, got {name!r}"
        ) from None


class Overriding:
    """Sets and clears the override; written down at once, so that a restart keeps it."""

    def __init__(self, controller: Controller, home_file: HomeFile) -> None:
        self._controller = controller
        self._home_file = home_file

    def do(self, wish: SetOverride | ClearOverride, now: Moment) -> dict[str, Any]:
        """Raises BrimfulError: no such heater, or it knows no such order."""
        controller = self._controller
        engine = controller.engine
        cautions: list[str] = []
        until_s: float | None = None
        if isinstance(wish, ClearOverride):
            controller.remember(clear_override(engine.memory), now)
            done = "override cleared"
        else:
            self._must_fit(wish)
            cautions = of_override(self._home_file.home, wish.order.value)
            until_s = now.mono_s + wish.for_s
            controller.remember(set_override(engine.memory, wish.order, until_s, wish.heater), now)
            ends = clock(now.utc_of(until_s), engine.settings.timezone, now.utc_s)
            done = f"override: {wish.order.value} until {ends}"
        explanation = engine.explain(now)
        unkept = controller.unkept
        if self._home_file.home.watches:
            done += " (but no orders are sent: the house only watches)"
        if unkept:
            done += f" (a restart now would forget it: {unkept})"
        return {
            "schema": "brimful.override/1",
            "until": None if until_s is None else iso(now.utc_of(until_s)),
            "order": explanation.order.value,
            "guard": explanation.primary.guard,
            "sentence": f"{done}. {explanation.text}",
            "cautions": cautions,
            "kept": not unkept,
        }

    def _must_fit(self, wish: SetOverride) -> None:
        heaters = {heater.name: heater for heater in self._controller.engine.settings.heaters}
        if wish.heater is not None and wish.heater not in heaters:
            cause = say("expected one of {names}, got {got}", names=", ".join(heaters), got=repr(wish.heater))
            raise BrimfulError(_OP, "heater", cause)
        asked = heaters[wish.heater] if wish.heater is not None else next(iter(heaters.values()))
        if wish.order is Order.HEAT and not asked.can_heat:
            raise BrimfulError(
                _OP,
                f"heaters.{asked.name}",
                say("expected a heater that obeys `heat`, got one with no such order"),
                say("give it a `heat` payload under orders, if the device has one"),
            )
