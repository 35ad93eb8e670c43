"""What if: a study's answer (brimful.study/1) made into a table and a picture of the differences in cost."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from daemon.config.model import Home
from daemon.web.page.views.figures import fixed, full_date
from daemon.web.page.views.value_chart import nice_step
from rules.model.wording import Number, joined, say

ROW_H, BAR_H = 44, 16
_ROOM = 1.08
_GRID = "grid:"
_BLOCKS = {"day": say("single days"), "week": say("single weeks")}


@dataclass(frozen=True, slots=True)
class Key:
    """A key that may be varied: how it is called, and what it is set to now."""

    key: str
    about: str
    now: str


@dataclass(frozen=True, slots=True)
class Row:
    """A variant in the table, its figures as text."""

    name: str
    cost: str
    more: str
    between: str
    kg: str
    sun: str
    bought: str
    boiler: str
    lacked: str
    switchings: str


@dataclass(frozen=True, slots=True)
class Bar:
    """A variant in the picture. x, width: the bar from nothing to its difference, low_x, high_x: its range, per cent
    ("" where there is none); y: px; said: the same in words."""

    name: str
    x: str
    width: str
    low_x: str
    high_x: str
    y: int
    dearer: bool
    words: str
    said: str


@dataclass(frozen=True, slots=True)
class Mark:
    """A line down the picture with its figure. x: per cent."""

    x: str
    words: str


@dataclass(frozen=True, slots=True)
class Chart:
    """The picture: how much more or less each variant costs than the home as it is."""

    bars: tuple[Bar, ...]
    marks: tuple[Mark, ...]
    zero_x: str
    height: int
    said: str


@dataclass(frozen=True, slots=True)
class Found:
    """What a study found. blocks: what the range draws anew."""

    said: str
    confidence: str
    blocks: str
    rows: tuple[Row, ...]
    chart: Chart | None
    notes: tuple[str, ...]


def keys_of(home: Home) -> tuple[Key, ...]:
    """Keys worth varying in this home, those of its own tariffs among them."""
    tank = home.tank
    found = [
        Key("rules.full.stop_at_pct", say("level at which heating stops, %"), f"{home.rules.full.stop_at_pct:g}"),
        Key("rules.surplus.start_w", say("surplus from which the heater starts, W"), f"{home.rules.surplus.start_w:g}"),
        Key("rules.worth.enabled", say("heat only where it is worth more than export"), _on(home.rules.worth.enabled)),
        Key("diverter", say("the diverter itself"), say("on")),
        Key("battery", say("the house battery, as recorded"), say("on")),
    ]
    if tank is not None:
        found.append(Key("tank.volume_l", say("volume of the tank, L"), f"{tank.volume_l:g}"))
        if tank.topup is not None:
            about = say("level to which the night timer heats, %")
            found.append(Key("tank.topup.level_pct", about, f"{tank.topup.level_pct:g}"))
    for name, tariff in home.tariffs.items():
        for number, period in enumerate(tariff.periods):
            for band in period.bands:
                key = f"tariffs.{name}.periods.{number}.bands.{band.name}.price"
                about = say("price of {tariff}, {band}, a kWh", tariff=name, band=band.name)
                found.append(Key(key, about, f"{band.price}"))
    return tuple(found)


def what_if_found(answer: Mapping[str, Any], zone: Any) -> Found:
    """The answer as it is shown."""
    variants: Sequence[Mapping[str, Any]] = answer["variants"]
    currency = answer["currency"]
    start, end = (full_date(datetime.fromisoformat(answer[edge]), zone) for edge in ("from", "to"))
    rows = tuple(_row(each, number == 0) for number, each in enumerate(variants))
    return Found(
        said=say("{begin} to {end}, as recorded: the home's own rules on a model of its tank.", begin=start, end=end),
        confidence=f"{answer['confidence']:.0%}",
        blocks=_BLOCKS.get(answer["blocks"], answer["blocks"]),
        rows=rows,
        chart=_chart(variants[1:], currency),
        notes=tuple(answer["notes"]),
    )


def _on(flag: bool) -> str:
    return "true" if flag else "false"


def name_of(setting: Mapping[str, Any]) -> str:
    """How a variant is called."""
    return joined(f"{key} = {_plain(value)}" for key, value in setting.items()) or say("as it is")


def _plain(value: Any) -> str:
    return _on(value) if isinstance(value, bool) else f"{value}"


def _row(each: Mapping[str, Any], is_first: bool) -> Row:
    heat, against = each["heat_kwh"], each["against_first"]
    ranged = not is_first and against["low"] is not None
    return Row(
        name=name_of(each["set"]),
        cost=say("not priced") if each["cost"] is None else fixed(each["cost"]),
        more="" if is_first or against["cost"] is None else fixed(against["cost"], sign=True),
        between=_between(against["low"], against["high"]) if ranged else "",
        kg="" if each["kg"] is None else f"{each['kg']:.0f}",
        sun=f"{heat.get('sun', 0.0):.0f}",
        bought=f"{sum(kwh for source, kwh in heat.items() if source == 'grid' or source.startswith(_GRID)):.0f}",
        boiler=f"{heat.get('boiler', 0.0):.0f}",
        lacked=f"{each['cold_minutes']:.0f}",
        switchings=f"{each['switchings']}",
    )


def _between(low: float, high: float) -> str:
    return say("{begin} to {end}", begin=fixed(low, sign=True), end=fixed(high, sign=True))


def _chart(variants: Sequence[Mapping[str, Any]], currency: str) -> Chart | None:
    """The picture; None where no difference is priced."""
    priced = [each for each in variants if each["against_first"]["cost"] is not None]
    if not priced:
        return None
    ends = [0.0]
    for each in priced:
        ends += [value for name in ("cost", "low", "high") if (value := each["against_first"][name]) is not None]
    low, high = min(ends) * _ROOM, max(ends) * _ROOM
    span = max(high - low, 0.01)

    def x(value: float) -> float:
        return 100 * (value - low) / span

    bars = tuple(_bar(each, number, x, currency) for number, each in enumerate(priced))
    step = nice_step(span)
    marks = [n * step for n in range(round(low / step) - 1, round(high / step) + 2)]
    cheapest = min(priced, key=lambda each: each["against_first"]["cost"])
    difference = cheapest["against_first"]["cost"]
    said = say(
        "Cost compared with the home as it is. Cheapest: {variant}, {money}. The table has every figure.",
        variant=name_of(cheapest["set"]),
        money=Number(f"{fixed(difference, sign=True)} {currency}"),
    )
    return Chart(
        bars=bars,
        marks=tuple(Mark(f"{x(at):.3f}%", fixed(at, sign=at != 0)) for at in marks if low <= at <= high),
        zero_x=f"{x(0.0):.3f}%",
        height=ROW_H * len(bars) + 8,
        said=said,
    )


def _bar(each: Mapping[str, Any], number: int, x: Any, currency: str) -> Bar:
    against = each["against_first"]
    cost, low, high = against["cost"], against["low"], against["high"]
    name, words = name_of(each["set"]), fixed(cost, sign=True)
    between = "" if low is None else _between(low, high)
    return Bar(
        name=name,
        x=f"{min(x(0.0), x(cost)):.3f}%",
        width=f"{abs(x(cost) - x(0.0)):.3f}%",
        low_x="" if low is None else f"{x(low):.3f}%",
        high_x="" if high is None else f"{x(high):.3f}%",
        y=ROW_H * number + 22,
        dearer=cost > 0,
        words=words,
        said=joined((name, joined((joined((words, between)), currency), " ")), ": "),
    )
