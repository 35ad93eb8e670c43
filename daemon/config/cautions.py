"""What a home file may say but its owner should know: in sentences, never refused."""

from collections.abc import Sequence
from datetime import timedelta

from daemon.config.hygiene import hygiene_cautions
from daemon.config.model import PRICE_SIGNALS, Home
from daemon.config.money import Tariff
from daemon.config.plan_checks import plan_cautions
from daemon.config.wording import plain
from rules.model.signals import TEMPERATURES
from rules.model.wording import Number, say, say_many, with_and
from rules.tank.water_safety import SCALD, STORE_C

USUAL_LIMIT_C = 70.0
USUAL_STOP_PCT = 95.0
LOW_STOP_PCT = 60.0  # common practice, no source
LONG_STALE_S = 6 * 3600.0  # common practice, no source
MUCH_IMPORT_W = -500.0  # common practice, no source
USUAL_HOT_C = 65.0  # thermostats are set to 60–65 °C: common practice, no source
_DEAR = 3  # money per kWh
_CURRENCIES_OF_CENTS = {"AUD", "CAD", "CHF", "EUR", "GBP", "NZD", "USD"}
_RANK = say("This software ranks below the tank's thermostat and its manual-reset cut-out and replaces neither")


def cautions(home: Home) -> list[str]:
    """Sentences the owner should read: limits set above what is usual, rules that cannot do what they say."""
    safety = [*_heat(home), *_strangers(home), *_hygiene(home), *hygiene_cautions(home)]
    return [*safety, *_blind(home), *_idle_rules(home), *_money(home), *plan_cautions(home), *_link(home)]


def new_cautions(before: Sequence[str], after: Sequence[str]) -> tuple[str, ...]:
    """What a changed home is warned of that it was not warned of before."""
    return tuple(caution for caution in after if caution not in before)


def _heat(home: Home) -> list[str]:
    said = []
    limit, full = home.rules.limit, home.rules.full
    if limit.maximum_c > USUAL_LIMIT_C:
        said.append(
            say(
                "rules.limit.maximum_c is {maximum} °C, above the usual {usual_limit} °C. {scald}. {rank}.",
                maximum=plain(limit.maximum_c),
                usual_limit=plain(USUAL_LIMIT_C),
                scald=SCALD,
                rank=_RANK,
            )
        )
    if full.stop_at_pct > USUAL_STOP_PCT:
        said.append(
            say(
                "rules.full.stop_at_pct is {stop_at} %, above the usual {usual_stop} %: the tank is heated until "
                "its thermostat switches off. {scald}. {rank}.",
                stop_at=plain(full.stop_at_pct),
                usual_stop=plain(USUAL_STOP_PCT),
                scald=SCALD,
                rank=_RANK,
            )
        )
    if home.tank is not None and home.tank.hot_c > USUAL_HOT_C:
        said.append(
            say(
                "tank.hot_c is {hot} °C, above the usual 60–65 °C. {scald}. {rank}.",
                hot=plain(home.tank.hot_c),
                scald=SCALD,
                rank=_RANK,
            )
        )
    if not set(TEMPERATURES) & set(home.signals):
        said.append(
            say(
                "No signal measures a temperature in the tank, so brimful cannot watch the limit of {maximum} "
                "°C. Only the thermostat and the manual-reset cut-out hold it.",
                maximum=plain(limit.maximum_c),
            )
        )
    if home.tank is None:
        said.append(
            say(
                "There is no [tank] table with the volume: a level that stays still while the heater fills the "
                "tank is not noticed."
            )
        )
    if "boiler_wh" in home.signals and home.tank is not None and home.tank.boiler is None:
        said.append(
            say("boiler_wh is heard, but no [tank.boiler] table says what it counts: `stock` cannot explain its heat.")
        )
    if home.rules.heaters.together and len(home.heaters) > 1:
        total = sum(heater.rated_w for heater in home.heaters.values())
        said.append(
            say(
                "rules.heaters.together allows {total} W at once: have a qualified electrician see that wiring "
                "and supply are made for it.",
                total=plain(total),
            )
        )
    return said


def _strangers(home: Home) -> list[str]:
    """Who else may change something."""
    if home.homie is None or not home.homie.settable:
        return []
    may = say("can raise the stop level")
    if home.heating_names:
        may = say("can raise the stop level and order heat from the grid")
    return [
        say(
            "homie.settable: whoever may publish on the broker {may}, unattended. Let the broker's access rules say "
            "who that is. The limit, fresh readings and a full tank still withhold. {scald}. {rank}.",
            may=may,
            scald=SCALD,
            rank=_RANK,
        )
    ]


def of_override(home: Home, order: str) -> list[str]:
    """What an owner should know before an override is applied. order: withhold, surplus or heat."""
    if order != "heat":
        return []
    said = [say("The override `heat` buys from the grid: the heater takes what it needs, at the price of the moment.")]
    if not set(TEMPERATURES) & set(home.signals):
        said.append(
            say(
                "No signal measures a temperature in the tank: while it heats, only the thermostat and the "
                "manual-reset cut-out hold the limit."
            )
        )
    return said


def _hygiene(home: Home) -> list[str]:
    """What keeps the tank from being heated against Legionella."""
    said = []
    limit, full, away = home.rules.limit, home.rules.full, home.rules.away
    if limit.maximum_c < STORE_C:
        said.append(
            say(
                "rules.limit.maximum_c is {maximum} °C: this heater then cannot heat the tank to the {store} °C "
                "that are advised against Legionella. Something else must do it.",
                maximum=plain(limit.maximum_c),
                store=plain(STORE_C),
            )
        )
    if full.stop_at_pct < LOW_STOP_PCT:
        said.append(
            say(
                "rules.full.stop_at_pct is {stop_at} %: the lower part of the tank then stays lukewarm, and "
                "Legionella can grow there. Make sure that the whole tank gets hot often enough.",
                stop_at=plain(full.stop_at_pct),
            )
        )
    if (away.periods or away.calendar_file is not None) and not away.hot_on_return:
        said.append(
            say(
                "While you are away the tank is not heated and cools: after a week or more, heat the whole tank "
                "to {store} °C and let the taps run before you use the water.",
                store=plain(STORE_C),
            )
        )
    if away.hot_on_return and home.rules.hygiene is None:
        said.append(
            say(
                "rules.away.hot_on_return heats the tank until it is full and holds nothing: there is no "
                "[rules.hygiene] table that says how hot the whole tank must be, and for how long. After a week "
                "or more, see that all of it has been at {store} °C before you use the water.",
                store=plain(STORE_C),
            )
        )
    alternate = home.rules.alternate
    if alternate.from_ is not None:
        until = alternate.from_ + timedelta(days=2 * alternate.pairs * alternate.block_days)
        said.append(
            say(
                "rules.alternate withholds diversion for {block_days} days at a time, or twice as many in a row, "
                "between {first} and {until}: on those days the sun heats no water. Have something else heat it, "
                "or it runs cold.",
                block_days=alternate.block_days,
                first=alternate.from_,
                until=until,
            )
        )
        if home.rules.hygiene is None:
            said.append(
                say(
                    "rules.alternate leaves the tank cooler for days, and no [rules.hygiene] table sees to it that "
                    "the whole of it is hot often enough meanwhile."
                )
            )
    return said


def _blind(home: Home) -> list[str]:
    """What makes the rules act on too little."""
    said = []
    surplus = home.rules.surplus
    if surplus.stop_w <= MUCH_IMPORT_W:
        said.append(
            say(
                "rules.surplus.stop_w is {stop} W: diversion goes on while the house buys up to {bought} W from "
                "the grid for it.",
                stop=plain(surplus.stop_w),
                bought=plain(-surplus.stop_w),
            )
        )
    for name in ("tank_level_pct", *TEMPERATURES):
        if name in home.signals and home.stale_after_s(name) >= LONG_STALE_S:
            hours = plain(home.stale_after_s(name) / 3600)
            said.append(
                say(
                    "signals.{name}.stale_after_s counts a reading as fresh for {hours} hours: a dead sensor is "
                    "noticed only then, and until then the tank may be heated.",
                    name=name,
                    hours=hours,
                )
            )
    for name in home.heaters:
        power, counter = (f"{base}_{name}" in home.signals for base in ("diverted_w", "diverted_wh"))
        if len(home.heaters) == 1:
            power, counter = power or "diverted_w" in home.signals, counter or "diverted_wh" in home.signals
        if counter and not power:
            own = "diverted_w" if len(home.heaters) == 1 else f"diverted_w_{name}"
            said.append(
                say(
                    "The power of heater {name} is worked out from its counter, a minute late, or more where it "
                    "counts in coarse steps: if the device reports its power, add it as signals.{own}.",
                    name=name,
                    own=own,
                )
            )
    return said


def _idle_rules(home: Home) -> list[str]:
    said = []
    battery = home.rules.battery
    for key, value, signal in (
        ("minimum_level_pct", battery.minimum_level_pct, "battery_level_pct"),
        ("maximum_discharge_w", battery.maximum_discharge_w, "battery_w"),
    ):
        if value is not None and signal not in home.signals:
            said.append(
                say(
                    "rules.battery.{key} is set, but there is no signal {signal}: this part of the rule does nothing.",
                    key=key,
                    signal=signal,
                )
            )
    if home.rules.worth.enabled:
        exports = any(tariff.direction == "export" for tariff in home.tariffs.values())
        if not exports or not home.displaces:
            missing = say("an export tariff") if not exports else say("a [[displaces]] table")
            said.append(
                say(
                    "rules.worth is enabled, but without {missing} it cannot compare, and allows everything.",
                    missing=missing,
                )
            )
    for name, output in home.outputs.items():
        if output.follows == "heat" and not home.heating_names:
            said.append(
                say(
                    "outputs.{name} follows heat, but no heater can be ordered to heat: it is never on.",
                    name=name,
                )
            )
    return said


def _money(home: Home) -> list[str]:
    said = []
    if home.home.currency in _CURRENCIES_OF_CENTS:
        for name, tariff in home.tariffs.items():
            prices = [
                (say("band {name}", name=band.name), band.price) for period in tariff.periods for band in period.bands
            ]
            prices += [(say("block"), block.price) for period in tariff.periods for block in period.blocks]
            dear = [(what, price) for what, price in prices if abs(price) > _DEAR]
            if dear:
                price = Number(f"{plain(dear[0][1])} {home.home.currency}")
                said.append(
                    say(
                        "tariffs.{name} has a {what} at {price} per kWh: is a hundredth of it meant?",
                        name=name,
                        what=dear[0][0],
                        price=price,
                    )
                )
    used = {tariff.signal for tariff in home.tariffs.values()} | {factor.signal for factor in home.carbon.values()}
    said += [
        say(
            'signals.{name} is heard, but not used: a tariff or factor with signal = "{name}" would use it.',
            name=name,
        )
        for name in sorted((PRICE_SIGNALS & set(home.signals)) - used)
    ]
    if home.carbon and "grid" not in home.carbon:
        said.append(
            say("There is no factor [carbon.grid]: the carbon that exported energy would have saved counts as nothing.")
        )
    grid = home.carbon.get("grid")
    if grid is not None and grid.marginal is not None:
        named = dict.fromkeys(source.carbon for source in home.displaces if source.carbon is not None)
        for name in named:
            factor = home.carbon.get(name)
            if factor is not None and factor.basis != "both" and factor.marginal is None:
                said.append(
                    say(
                        "carbon.{name} has no marginal factor beside that of carbon.grid: marginal carbon is not "
                        'counted. For a fuel, which has one factor for both, write basis = "both".',
                        name=name,
                    )
                )
    unheard = battery_unheard(home)
    if unheard:
        said.append(unheard)
    saves = home.books.price_of_battery
    if saves is not None:
        bands = [
            band.price
            for tariff in home.tariffs.values()
            if tariff.direction == "import"
            for period in tariff.periods
            for band in period.bands
        ]
        if bands and saves < min(bands):
            said.append(
                say(
                    "A kWh from the battery counts {saves} {currency}, less than any import price (up to {dearest}): a "
                    "battery saves the import that it replaces.",
                    saves=plain(saves),
                    currency=home.home.currency,
                    dearest=plain(max(bands)),
                )
            )
    return said + estimates(home)


def battery_unheard(home: Home) -> str:
    """What cannot be known of the house battery, and why; "" where it is heard, or where there is none."""
    if not home.battery_named:
        return ""
    wanted = [name for name in ("battery_w", "battery_level_pct") if name not in home.signals]
    if wanted:
        return say_many(
            "{wanted} is not heard: whether the battery would have taken what a heater took cannot be known, and it"
            " counts as export given up.",
            "{wanted} are not heard: whether the battery would have taken what a heater took cannot be known, and it"
            " counts as export given up.",
            len(wanted),
            wanted=with_and(wanted),
        )
    if not home.attributes:
        return say("books.attribute is false: sun that the battery would have taken counts as export given up.")
    return ""


def estimates(home: Home) -> list[str]:
    """What the home's prices rest on that no meter shows: for the owner, and beside every total."""
    return [sentence for name, tariff in home.tariffs.items() for sentence in _estimates(name, tariff)]


def _estimates(name: str, tariff: Tariff) -> list[str]:
    """What a tariff rests on that no meter shows."""
    said = []
    deemed = [period.deemed_share for period in tariff.periods if period.deemed_share is not None]
    if deemed:
        share = say(
            "{deemed} % of the generation deemed exported",
            deemed=plain(float(deemed[-1] * 100)),
        )
        said.append(
            say(
                "tariffs.{name} is paid by an estimate ({share}): what is diverted gives up no income there. Its "
                "carbon is given up all the same.",
                name=name,
                share=share,
            )
        )
    assumed = [period.assume_kwh_per_month for period in tariff.periods if period.assume_kwh_per_month is not None]
    if assumed:
        said.append(
            say(
                "tariffs.{name} is in blocks: a kWh not bought is priced by the block in which a month of "
                "{assumed} kWh ends, as the file assumes; no meter reading is used for it.",
                name=name,
                assumed=plain(assumed[-1]),
            )
        )
    return said


def _link(home: Home) -> list[str]:
    broker = home.broker
    if broker is None or broker.tls or broker.username is None or broker.host in {"localhost", "::1"}:
        return []
    if broker.host.startswith("127."):
        return []
    return [
        say(
            "The password for the broker {host} crosses the network unencrypted: set tls = true if the "
            "broker can do it.",
            host=broker.host,
        )
    ]
