"""The whole tank hot often enough, and hot again at the return: what the home file asks of the rules, what of it cannot
be, and what its owner should know."""

from collections.abc import Callable
from math import ceil

from daemon.config.model import Home
from daemon.config.rule_tables import Hygiene as HygieneTable
from daemon.config.wording import close, plain, shown
from rules.model.settings import Hygiene
from rules.model.wording import Number, joined, say
from rules.tank.heating_up import heat_up_s
from rules.tank.water_safety import SCALD, WANTED_REDUCTIONS, reductions

SPARE_K = 1.0
"""How much hotter than asked the tank has to get so that the hold outlasts its standing loss."""
_THERMOSTAT_SPARE_K = 2.0  # a thermostat set closer ends the heating now and then before (common practice, no source)
_LIMIT_SPARE_K = 5.0  # the top may be hotter than the bottom by as much (common practice, no source)
_NOT_INSTEAD = (
    "This replaces no thermostat, no device against Legionella and no duty that is prescribed where you live. Old "
    "people, smokers and those with weak lungs or a weak immune system are most at risk: ask a qualified installer"
)
Add = Callable[..., None]


def hygiene_settings(home: Home) -> Hygiene | None:
    """The rule; None where the file does not ask for it."""
    table = home.rules.hygiene
    if table is None:
        return None
    heater = _heater(home, table)
    return Hygiene(
        heater,
        table.at_c,
        table.hold_s,
        table.every_s,
        measured="tank_bottom_c" in home.signals,
        thermostat_on_c=table.thermostat_on_c,
        why_not=why_not(home, table),
        need_s=_from_cold_s(home, heater, table.at_c) + table.hold_s,
    )


def return_heating(home: Home) -> tuple[str, float]:
    """The heater that heats for the return and how long it takes from cold, s; "" and 0 where none is to."""
    table = home.rules.hygiene
    if not home.rules.away.hot_on_return or home.tank is None:
        return "", 0.0
    heater = next(iter(home.heating_names), "")
    if table is None:
        return heater, _from_cold_s(home, heater, home.tank.hot_c)
    if _heater(home, table) in home.heating_names:
        heater = _heater(home, table)
    return heater, _from_cold_s(home, heater, max(home.tank.hot_c, table.at_c)) + table.hold_s


def why_not(home: Home, table: HygieneTable) -> str:
    """Why the heater is not ordered `heat` for it, as the file stands; "" where it is."""
    if not table.heat:
        return say("rules.hygiene.heat is false, so brimful does not heat for it")
    if "tank_bottom_c" not in home.signals and (table.thermostat_on_c is None or table.thermostat_on_c < table.at_c):
        return say(
            "no signal reads tank_bottom_c, so whether the whole tank is hot cannot be known, and brimful "
            "does not heat for it"
        )
    reach_pct = level_when_hot_pct(home, table)
    if "tank_level_pct" not in home.signals and reach_pct > home.rules.full.stop_at_pct:
        return say(
            "with the whole tank at {at} °C the level reads {reach} %, and heating stops at {stop_at} %, so "
            "brimful cannot do it and does not try",
            at=plain(table.at_c + SPARE_K),
            reach=Number(f"{reach_pct:.0f}"),
            stop_at=plain(home.rules.full.stop_at_pct),
        )
    return ""


def level_when_hot_pct(home: Home, table: HygieneTable) -> float:
    """The level that a tank hot throughout has by its heat, %; 0 where the file does not describe the tank."""
    tank = home.tank
    if tank is None:
        return 0.0
    return 100.0 * (table.at_c + SPARE_K - tank.cold_c) / (tank.hot_c - tank.cold_c)


def check_hygiene(home: Home, add: Add) -> None:
    """What disagrees. add: takes a problem's key, expectation, finding and hint."""
    table = home.rules.hygiene
    if home.rules.away.hot_on_return:
        _heats("rules.away.hot_on_return", home, "", "leave it out", add)
    if table is None:
        return
    limit_c = home.rules.limit.maximum_c
    if table.at_c >= limit_c:
        hint = "nothing heats at the limit: raise rules.limit.maximum_c, below the manual-reset cut-out, or lower at_c"
        add("rules.hygiene.at_c", f"less than rules.limit.maximum_c {plain(limit_c)} °C", plain(table.at_c), hint)
    if table.hold_s >= table.every_s:
        expected = (
            f"less than every_days, {plain(table.every_days)} days, which are {plain(table.every_s / 60)} minutes"
        )
        add("rules.hygiene.hold_minutes", expected, f"{plain(table.hold_minutes)} minutes")
    if table.heater is not None and table.heater not in home.heaters:
        hint = close(table.heater, list(home.heaters))
        add("rules.hygiene.heater", "the name of a heater", shown(table.heater), hint)
    elif table.heater is None and len(home.heaters) > 1:
        expected = f"the heater at the bottom of the tank, one of {', '.join(home.heaters)}"
        add("rules.hygiene.heater", expected, "none", "a heater further up leaves the water below it cold")
    elif table.heat:
        _heats("rules.hygiene.heat", home, _heater(home, table), "set heat = false to count the days alone", add)
    if table.thermostat_on_c is not None and "tank_bottom_c" in home.signals:
        hint = "the sensor at the bottom is believed instead: take thermostat_on_c out"
        add("rules.hygiene.thermostat_on_c", "no signal tank_bottom_c beside it", "both", hint)


def hygiene_cautions(home: Home) -> list[str]:
    """What the owner should know of it, in sentences."""
    said = []
    table, tank = home.rules.hygiene, home.tank
    if home.rules.away.hot_on_return:
        said.append(
            say(
                "rules.away.hot_on_return buys: before you are back the tank is heated, from the grid too. Water "
                "has stood in the pipes as well: let the taps run hot before you use them, and keep away from "
                "the spray."
            )
        )
    if table is None:
        return said
    said.append(
        say(
            "rules.hygiene heats the whole tank to {at} °C. {scald}. {not_instead}.",
            at=plain(table.at_c),
            scald=SCALD,
            not_instead=_NOT_INSTEAD,
        )
    )
    reason = why_not(home, table)
    powers = reductions(table.at_c, table.hold_s)
    if powers < WANTED_REDUCTIONS:
        needed = ceil(table.hold_minutes * WANTED_REDUCTIONS / powers)
        said.append(
            say(
                "rules.hygiene.hold_minutes is {hold_minutes} minutes, too short at {at} °C: only {powers} "
                "powers of ten of Legionella die then, and {wanted_reductions} are usual; that takes {needed} "
                "minutes.",
                hold_minutes=plain(table.hold_minutes),
                at=plain(table.at_c),
                powers=Number(f"{powers:.1f}"),
                wanted_reductions=plain(WANTED_REDUCTIONS),
                needed=needed,
            )
        )
    if reason:
        said.append(
            say(
                "rules.hygiene: {reason}. Make sure that something else heats the whole tank.",
                reason=reason,
            )
        )
    if tank is not None and table.at_c + _THERMOSTAT_SPARE_K > tank.hot_c:
        said.append(
            say(
                "rules.hygiene.at_c is {at} °C and tank.hot_c, the thermostat's setting, {hot} °C: the "
                "thermostat may end the heating before the whole tank is hot. Have it set to 60–65 °C, and at_c "
                "2 °C or more below it.",
                at=plain(table.at_c),
                hot=plain(tank.hot_c),
            )
        )
    if home.rules.limit.maximum_c < table.at_c + _LIMIT_SPARE_K:
        said.append(
            say(
                "rules.limit.maximum_c is {maximum} °C, close above rules.hygiene.at_c {at} °C: where the top of "
                "the tank is hotter than the bottom, the limit stops the heating before the bottom is hot.",
                maximum=plain(home.rules.limit.maximum_c),
                at=plain(table.at_c),
            )
        )
    if not reason and "tank_level_pct" in home.signals:
        stop_pct, reach_pct = home.rules.full.stop_at_pct, level_when_hot_pct(home, table)
        caution = say(
            "Nothing heats at or above rules.full.stop_at_pct, {stop} %, for hygiene neither. If the tank "
            "shows that level before its bottom is at {at} °C, brimful cannot make the whole tank hot, and "
            "says so.",
            stop=plain(stop_pct),
            at=plain(table.at_c),
        )
        if reach_pct > stop_pct:
            by_heat = say(
                "By its heat the tank would show {reach} %: have the level, and tank.hot_c, count up to the "
                "thermostat's setting of 60–65 °C, or raise stop_at_pct.",
                reach=Number(f"{reach_pct:.0f}"),
            )
            caution = joined((caution, by_heat), " ")
        said.append(caution)
    if not reason and home.battery_named:
        said.append(
            say(
                "While rules.hygiene heats, the house battery may feed it: rules.battery does not hold it back. "
                "Have the battery hold its charge in the cheap hours, if it can."
            )
        )
    if "tank_bottom_c" in home.signals:
        said.append(
            say(
                "rules.hygiene goes by tank_bottom_c: what lies below that sensor, or below the heater, may stay "
                "colder. Have both as low in the tank as they go."
            )
        )
    if table.thermostat_on_c is not None and table.thermostat_on_c >= table.at_c:
        said.append(
            say(
                "rules.hygiene.thermostat_on_c: that the tank is hot is inferred, not measured. It holds only "
                "for an element at the bottom of the tank whose thermostat sits there too, set as you say; a "
                "sensor at the bottom is better."
            )
        )
    return said


def _heater(home: Home, table: HygieneTable) -> str:
    return table.heater if table.heater is not None else next(iter(home.heaters), "")


def _heats(key: str, home: Home, heater: str, otherwise: str, add: Add) -> None:
    """Whether something can heat for it, and how long it takes is known."""
    names = [heater] if heater else list(home.heaters)
    if not set(names) & set(home.heating_names):
        wanted = " or ".join(f"heaters.{name}.orders.heat" for name in names)
        add(key, f"a heater that obeys `heat` ({wanted})", "none", otherwise)
    if home.tank is None:
        add(key, "a table [tank] with its volume beside it", "none", "it gives the time that heating takes")


def _from_cold_s(home: Home, heater: str, to_c: float) -> float:
    """How long a heater takes from an all-cold tank, s; 0 where the tank or the heater is not described."""
    tank = home.tank
    if tank is None or heater not in home.heaters:
        return 0.0
    loss_w = tank.ua_w_per_k * max(to_c - tank.ambient_c, 0.0)
    return heat_up_s(tank.volume_l, tank.cold_c, to_c, home.heaters[heater].rated_w, loss_w)
