"""What no single key can show: keys that must agree with each other, and names that must exist."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from ipaddress import ip_address
from typing import Any
from zoneinfo import ZoneInfo, available_timezones

from daemon.config.calendars import LAST_YEAR
from daemon.config.devices import Boiler, GateHeater, ModulatedHeater
from daemon.config.hygiene import check_hygiene
from daemon.config.model import Home, VictoriaMetrics
from daemon.config.money import HouseBattery
from daemon.config.money_checks import check_money, check_tax
from daemon.config.neighbour_checks import check_neighbours
from daemon.config.places import item_label, joined
from daemon.config.plan_checks import check_plan
from daemon.config.state_topics import state_base
from daemon.config.wording import close, plain, problem, shown
from rules.model.errors import BrimfulError
from rules.model.signals import SIGNALS, TEMPERATURES, find
from rules.model.wording import Number, say, say_many

_LEVEL = ("tank_level_pct", *TEMPERATURES)
_SURPLUS = ("surplus_w", "grid_w")


@dataclass(frozen=True, slots=True)
class Names:
    """What the file names, right or not: a reference to a table that needs mending is no error."""

    signals: tuple[str, ...]
    heaters: tuple[str, ...]
    tariffs: tuple[str, ...]
    carbon: tuple[str, ...]

    @classmethod
    def of(cls, raw: Mapping[str, Any]) -> "Names":
        """The names in what was read."""

        def keys(table: str) -> tuple[str, ...]:
            value = raw.get(table)
            return tuple(value) if isinstance(value, Mapping) else ()

        return cls(keys("signals"), keys("heaters"), keys("tariffs"), keys("carbon"))


class Report:
    """Collects problems."""

    def __init__(self, file_name: str) -> None:
        self.found: list[BrimfulError] = []
        self._file_name = file_name

    def add(self, key: str, expected: str, got: str, hint: str = "") -> None:
        """Note one problem; its parts as in `wording.problem`."""
        self.found.append(problem(key, expected, got, self._file_name, hint))


def check(home: Home, names: Names, file_name: str) -> list[BrimfulError]:
    """All that disagrees in a home whose tables are each right."""
    report = Report(file_name)
    _timezone(home, report)
    _broker(home, report)
    _timeseries(home, report)
    _api(home, report)
    _signals(home, names, report)
    _heaters(home, names, report)
    _topics(home, report)
    _tank(home, names, report)
    _rules(home, names, report)
    check_hygiene(home, report.add)
    if home.books.export_limit_w is not None and not (home.attributes and "grid_w" in home.signals):
        got = "no signal grid_w"
        if "grid_w" in home.signals:
            got = "attribute = false" if home.books.attribute is not None else "used = 1 without it"
        report.add("books.export_limit_w", "attribute = true and a signal grid_w beside it", got)
    if home.books.attribute and not {"grid_w", "battery_w"} & set(home.signals):
        hint = "without them it is not known where the energy came from"
        report.add("books.attribute", "a signal grid_w or battery_w beside it", "neither", hint)
    if home.books.battery_price is not None and home.books.battery.price is not None:
        report.add("books.battery.price", "either battery_price or battery.price", "both")
    priced: list[tuple[str, HouseBattery | Boiler]] = [("books.battery", home.books.battery)]
    if home.tank is not None and home.tank.boiler is not None:
        priced.append(("tank.boiler", home.tank.boiler))
    for key, table in priced:
        check_tax(key, table, report.add)
    check_money(home, names.tariffs, names.carbon, report.add)
    check_plan(home, report.add)
    _verdict(home, report)
    check_neighbours(home, report.add)
    return report.found


def _verdict(home: Home, report: Report) -> None:
    for place, days in enumerate(home.verdict.exclude):
        if days.to <= days.from_:
            hint = "`to` is the first day that counts again"
            label = item_label([{"from": one.from_} for one in home.verdict.exclude], place)
            report.add(f"verdict.exclude{label}.to", f"a day after {days.from_}", str(days.to), hint)
    for index, each in enumerate(home.hardware):
        key = f"hardware{item_label([{'name': one.name} for one in home.hardware], index)}"
        for part in each.replaced:
            if part.after_years >= each.life_years:
                expected = f"less than life_years {plain(each.life_years)}"
                report.add(f"{key}.replaced.after_years", expected, plain(part.after_years))


def _timezone(home: Home, report: Report) -> None:
    name = home.home.timezone
    try:
        # A path such as "../x" would leave the time-zone folder; ZoneInfo refuses it, as it does a folder's name.
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        near = close(name, sorted(available_timezones()))
        hint = near if near.endswith("?") else ""
        report.add("home.timezone", "an IANA time zone such as Europe/Dublin", shown(name), hint)


def _api(home: Home, report: Report) -> None:
    api = home.api
    alone = api.bind == "localhost" or ip_address(api.bind).is_loopback
    hint = "name a file for its hash, then: brimful password HOME.toml"
    if api.password_file is None and not alone:
        report.add("api.bind", "a password_file beside an address that others can reach", shown(api.bind), hint)
    if api.password_file is None and api.names:
        report.add("api.names", "a password_file beside names that others can use", shown(api.names[0]), hint)


def _broker(home: Home, report: Report) -> None:
    broker = home.broker
    if broker is None:
        return
    if broker.ca_file is not None and not broker.tls:
        report.add("broker.ca_file", "tls = true beside it", "tls = false", "the link would not be encrypted")
    if broker.password_file is not None and broker.username is None:
        report.add("broker.password_file", "a username beside it", "none")


def _timeseries(home: Home, report: Report) -> None:
    series = home.timeseries
    if not isinstance(series, VictoriaMetrics):
        return
    if series.username is None and series.password_file is not None:
        report.add("timeseries.password_file", "a username beside it", "none")
    if series.username is not None and series.token_file is not None:
        report.add("timeseries.token_file", "a token or a username with its password", "both")


def _signals(home: Home, names: Names, report: Report) -> None:
    for name in names.signals:
        if find(name, names.heaters) is None:
            known = [*SIGNALS, *(f"{s.name}_{h}" for s in SIGNALS.values() if s.per_heater for h in names.heaters)]
            near = close(name, known)
            hint = near if near.endswith("?") else "a signal's name carries its unit, as grid_w does"
            report.add(joined("signals", name), "a known signal", shown(name), hint)
    for name, source in home.signals.items():
        key = f"signals.{name}"
        if source.scale == 0:
            report.add(f"{key}.scale", "a number other than 0", "0", "every reading would be the same")
        if source.minimum is not None and source.maximum is not None and source.minimum >= source.maximum:
            report.add(f"{key}.minimum", f"less than maximum {plain(source.maximum)}", plain(source.minimum))
    if not set(_LEVEL) & set(names.signals):
        report.add(
            "signals",
            f"{_LEVEL[0]}, or temperatures that give a level ({', '.join(_LEVEL[1:])})",
            "none of them",
            "without a level the tank is never known to have room",
        )
    if not set(_SURPLUS) & set(names.signals):
        report.add("signals", " or ".join(_SURPLUS), "neither", "without it no surplus is ever known")
    for heater in names.heaters:
        owners = {f"diverted_wh_{heater}", f"diverted_w_{heater}"}
        if len(names.heaters) == 1:
            owners |= {"diverted_wh", "diverted_w"}
        if not owners & set(names.signals):
            wanted = " or ".join(sorted(owners, key=lambda name: (len(name), name), reverse=True))
            hint = f"the books need the energy heater {heater} takes"
            report.add("signals", wanted, "none of them", hint)


def _heaters(home: Home, names: Names, report: Report) -> None:
    if not names.heaters:
        report.add("heaters", "at least one heater", "none")
    for name, heater in home.heaters.items():
        key = f"heaters.{name}"
        if heater.minimum_w > heater.rated_w:
            report.add(f"{key}.minimum_w", f"at most rated_w {plain(heater.rated_w)} W", plain(heater.minimum_w))
        match heater:
            case GateHeater(orders=orders):
                payloads = {"withhold": orders.withhold, "surplus": orders.surplus, "heat": orders.heat}
                for order, payload in payloads.items():
                    same = [other for other in payloads if other < order and payloads[other] == payload]
                    if payload is not None and same:
                        hint = "each order needs a payload of its own"
                        report.add(f"{key}.orders.{order}", f"another payload than {same[0]}", shown(payload), hint)
            case ModulatedHeater(steps_w=steps):
                for lower, step in zip((None, *steps), steps, strict=False):
                    if lower is not None and step <= lower:
                        report.add(f"{key}.steps_w", f"ascending steps, above {lower} W", f"{step}")
                    elif not heater.minimum_w <= step <= heater.rated_w:
                        low, high = plain(heater.minimum_w), plain(heater.rated_w)
                        report.add(f"{key}.steps_w", f"steps from minimum_w to rated_w, {low}–{high} W", f"{step}")


def _topics(home: Home, report: Report) -> None:
    read = {source.topic: f"signals.{name}" for name, source in home.signals.items()}
    owners: dict[str, str] = {}
    devices = {f"heaters.{name}": heater.topic for name, heater in home.heaters.items()}
    devices |= {f"outputs.{name}": output.topic for name, output in home.outputs.items()}
    own = state_base(home.home.name)
    for key, topic in devices.items():
        if topic == own or topic.startswith(f"{own}/"):
            hint = f"brimful publishes its own state under {own}"
            report.add(f"{key}.topic", f"a topic outside {own}/", shown(topic), hint)
        if topic in read:
            hint = "brimful would hear its own orders as readings"
            report.add(f"{key}.topic", f"another topic than {read[topic]}", shown(topic), hint)
        if topic in owners:
            report.add(f"{key}.topic", f"another topic than {owners[topic]}", shown(topic))
        owners.setdefault(topic, key)
    for name, output in home.outputs.items():
        if output.on == output.off:
            report.add(f"outputs.{name}.off", "another payload than on", shown(output.off))


def _tank(home: Home, names: Names, report: Report) -> None:
    tank = home.tank
    if tank is None:
        if "tank_level_pct" not in home.signals and set(_LEVEL) & set(home.signals):
            report.add("tank", "a table [tank] with cold_c and hot_c", "none", "a level from temperatures needs them")
        return
    if tank.hot_c <= tank.cold_c:
        report.add("tank.hot_c", f"more than cold_c {plain(tank.cold_c)} °C", plain(tank.hot_c))
    if tank.loss_w is not None and tank.label_class is not None:
        report.add("tank.label_class", "either loss_w or label_class", "both")
    if tank.topup is not None and tank.topup.from_ == tank.topup.to:
        report.add("tank.topup.to", f"another time than from, {shown(tank.topup.from_)}", shown(tank.topup.to))
    _boiler(home, names, report)


def _boiler(home: Home, names: Names, report: Report) -> None:
    boiler = home.tank.boiler if home.tank is not None else None
    if boiler is None:
        return
    if "boiler_wh" not in home.signals:
        report.add("tank.boiler", "a signal boiler_wh that counts it", "none")
    if boiler.tariff is not None and boiler.price is not None:
        report.add("tank.boiler.price", "either tariff or price", "both")
    if boiler.tariff is not None and boiler.tariff not in names.tariffs:
        near = close(boiler.tariff, names.tariffs)
        report.add("tank.boiler.tariff", "a tariff of the table [tariffs]", shown(boiler.tariff), near)
    if boiler.carbon is not None and boiler.carbon not in names.carbon:
        near = close(boiler.carbon, names.carbon)
        report.add("tank.boiler.carbon", "a factor of the table [carbon]", shown(boiler.carbon), near)


def _rules(home: Home, names: Names, report: Report) -> None:
    rules = home.rules
    if rules.limit.resume_c >= rules.limit.maximum_c:
        expected = say("less than {key} {value}", key="maximum_c", value=Number(f"{plain(rules.limit.maximum_c)} °C"))
        report.add("rules.limit.resume_below_c", expected, plain(rules.limit.resume_c))
    if rules.full.resume_pct >= rules.full.stop_at_pct:
        expected = say("less than {key} {value}", key="stop_at_pct", value=Number(f"{plain(rules.full.stop_at_pct)} %"))
        hint = say("there must be room to resume")
        report.add("rules.full.resume_below_pct", expected, plain(rules.full.resume_pct), hint)
    if rules.surplus.stop_w >= rules.surplus.start_w:
        expected = say("less than {key} {value}", key="start_w", value=Number(f"{plain(rules.surplus.start_w)} W"))
        report.add("rules.surplus.stop_w", expected, plain(rules.surplus.stop_w))
    if rules.yield_ is not None:
        _yield(rules.yield_.signal, names, report)
    for index, name in enumerate(rules.heaters.prefer):
        if name not in names.heaters:
            hint = close(name, names.heaters)
            report.add("rules.heaters.prefer", say("names of heaters"), shown(name), hint)
        elif name in rules.heaters.prefer[:index]:
            report.add("rules.heaters.prefer", say("each heater once"), say("{name} twice", name=shown(name)))
    if rules.alternate.settle_days >= rules.alternate.block_days:
        days = say_many("{n} day", "{n} days", rules.alternate.block_days)
        expected = say("less than block_days, {days}", days=days)
        got = say("{days} days", days=rules.alternate.settle_days)
        report.add("rules.alternate.settle_days", expected, got, say("at least one day of each block must count"))
    if rules.alternate.from_ is not None and rules.alternate.from_.year > LAST_YEAR:
        report.add(
            "rules.alternate.from", say("a day of {year} or before", year=LAST_YEAR), rules.alternate.from_.isoformat()
        )
    for index, absence in enumerate(rules.away.periods):
        start, end = absence.from_, absence.to
        if (start.isoformat() + "T00:00:00")[:19] >= (end.isoformat() + "T00:00:00")[:19]:
            key = f"rules.away.periods[#{index + 1}].to"
            report.add(key, say("later than from {begin}", begin=start.isoformat()), end.isoformat())


def _yield(name: str, names: Names, report: Report) -> None:
    found = find(name, names.heaters)
    if name not in names.signals:
        powers: Iterable[str] = (known for known in names.signals if known.endswith("_w"))
        report.add(
            "rules.yield.signal",
            say("a signal of the table [signals.{name}]", name=name),
            say("no such table"),
            close(name, [*powers]),
        )
    elif found is not None and found[0].unit != "W":
        report.add("rules.yield.signal", say("a signal that measures a power, in W"), shown(name))
