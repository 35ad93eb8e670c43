"""What tonight's plan needs beside it in the home file, and what its owner should know."""

from collections.abc import Callable

from daemon.config.model import Home
from daemon.config.wording import plain
from rules.model.signals import TEMPERATURES
from rules.model.wording import say
from rules.tank.water_safety import SCALD

FOLLOWED = say(
    "[plan] follow orders the heater to heat from the grid, unattended: its thermostat and manual-reset cut-out must "
    "be in order, and its wiring made for hours at full power; have a qualified installer look. {scald}",
    scald=SCALD,
)


def check_plan(home: Home, add: Callable[..., None]) -> None:
    """What disagrees with [plan]. add: takes a problem's key, expectation, finding and hint."""
    planning = home.plan
    forecast = planning.forecast
    if forecast is not None:
        given = [name for name in ("signal", "series", "live") if getattr(forecast, name) is not None]
        if len(given) != 1:
            add("plan.forecast", "one of signal, series or live", " and ".join(given) or "none of them")
        if forecast.signal is not None and forecast.signal not in home.signals:
            add("plan.forecast.signal", f"a table [signals.{forecast.signal}] beside it", "none")
    if planning.mode == "off":
        return
    if home.tank is None:
        add("plan.mode", "a [tank] table beside it", "none", "its volume shows how much heat it holds")
    if not any(tariff.direction == "import" for tariff in home.tariffs.values()):
        add("plan.mode", "an import tariff beside it", "none", "without prices no hour is cheaper than another")
    if planning.mode == "follow" and not home.heating_names:
        hint = 'add heat = "…" to a heater\'s orders, or set mode = "advise"'
        add("plan.mode", "a heater that can be ordered to heat", "none", hint)


def plan_cautions(home: Home) -> list[str]:
    """Sentences about [plan]; none while it orders nothing."""
    if home.plan.mode != "follow":
        return []
    said = []
    if home.watches:
        said.append(
            say(
                '[plan] mode is "follow" and [home] mode is "watch": the plan is made and shown, and no heater '
                'is ordered to follow it until [home] mode is "control".'
            )
        )
    said += [
        say(
            "{followed}. This software ranks below thermostat and cut-out and replaces neither.",
            followed=FOLLOWED,
        )
    ]
    if not set(TEMPERATURES) & set(home.signals):
        said.append(
            say(
                "[plan] follow heats from the grid, and no signal measures a temperature in the tank: only the "
                "thermostat and the manual-reset cut-out hold the limit."
            )
        )
    if home.battery_named:
        said.append(
            say(
                "[plan] follow heats at night, and the house battery may feed the heater: set the battery not to "
                "discharge in those hours, for what it gives is not counted in the plan."
            )
        )
    if home.tank is not None and home.tank.topup is not None:
        said.append(
            say(
                "[plan] follow heats at night, and [tank] topup says that a timer of the tank's own does too, to "
                "{level} %: what the timer heats the plan cannot save. Switch one of them off.",
                level=plain(home.tank.topup.level_pct),
            )
        )
    return said
