"""Tonight's plan as the page shows it: the choices with their prices, and the day ahead as a picture and a table.

The drawing itself is the template's. Places across are per cent of the width; paths lie in a box of WIDTH × HEIGHT.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from daemon.planning.statement import against_sentence, basis, choice_name, headline, past_sentence
from daemon.web.page.views.figures import fixed, instant, share
from rules.model.wording import Number, say

WIDTH, HEIGHT = 1000, 150
_STEPS_WH = (200, 500, 1000, 1500, 2000, 3000, 4000, 5000, 10_000, 20_000, 50_000)
_HOURS_APART = 6


@dataclass(frozen=True, slots=True)
class ChoiceRow:
    """What one choice would bring, as figures."""

    name: str
    heat: str
    sun: str
    left: str
    cost: str
    net_cost: str
    short: str
    planned: bool


@dataclass(frozen=True, slots=True)
class Fan:
    """A band from the tenth to the ninth tenth of the scenarios, and the line that half of them are below."""

    band: str
    line: str


@dataclass(frozen=True, slots=True)
class HourMark:
    """A time named under the axis. x: per cent."""

    x: str
    words: str
    anchor: str


@dataclass(frozen=True, slots=True)
class TableRow:
    """A half hour of the table."""

    clock: str
    price: str
    level: str
    without: str
    surplus: str
    drawn: str


@dataclass(frozen=True, slots=True)
class Ahead:
    """The day ahead. runs: where the grid heats, as a path; scale: the top of the energies' axis in words."""

    level: Fan
    without: str
    surplus: Fan
    drawn: Fan
    runs: str
    hours: tuple[HourMark, ...]
    scale: str
    said: str
    rows: tuple[TableRow, ...]


@dataclass(frozen=True, slots=True)
class TonightRoom:
    """The whole room. mode: what the home file says of it, in a sentence; explained: what the plan brings, and what the
    choices' figures are."""

    headline: str
    mode: str
    choices: tuple[ChoiceRow, ...]
    explained: tuple[str, ...]
    ahead: Ahead | None
    reasons: tuple[str, ...]
    unknown: tuple[str, ...]
    past: str
    cautions: tuple[str, ...]
    followed: bool
    currency: str


_MODES = {
    "off": say("This is only an answer: no heater follows it, for [plan] mode is off in the home file."),
    "advise": say("The heater is not ordered to follow it: [plan] mode is advise in the home file."),
    "follow": say("The heater follows it, unless a rule above the plan holds it off."),
}


def tonight_room(document: Mapping[str, Any]) -> TonightRoom:
    """The room of a `brimful.plan/1`."""
    return TonightRoom(
        headline=headline(dict(document)),
        mode=_MODES[document["mode"]],
        choices=tuple(_choice(choice) for choice in document["choices"]),
        explained=(against_sentence(dict(document)), basis(dict(document))) if document["choices"] else (),
        ahead=_ahead(document) if document["half_hours"] else None,
        reasons=tuple(document["reasons"]),
        unknown=tuple(document["unknown"]),
        past=past_sentence(dict(document)),
        cautions=tuple(document["cautions"]),
        followed=document["mode"] == "follow",
        currency=document["currency"],
    )


def _choice(choice: Mapping[str, Any]) -> ChoiceRow:
    heat, sun, left = (fixed(choice[name] / 1000, 1) for name in ("grid_wh", "sun_wh", "left_wh"))
    return ChoiceRow(
        name=choice_name(dict(choice)),
        heat=heat,
        sun=sun,
        left=left,
        cost=fixed(choice["cost"]),
        net_cost=fixed(choice["net_cost"]),
        short=share(choice["cold_risk"]),
        planned=choice["level_pct"] is None,
    )


def _ahead(document: Mapping[str, Any]) -> Ahead:
    hours = document["half_hours"]
    zone = ZoneInfo(document["timezone"])
    most = max(max(hour["surplus_wh"][2], hour["drawn_wh"][2]) for hour in hours)
    top = next((step for step in _STEPS_WH if step >= most), most)
    clocks = [f"{instant(hour['from']).astimezone(zone):%H:%M}" for hour in hours]
    return Ahead(
        level=_fan(hours, "level_pct", 100.0),
        without=_line(_points([hour["level_without_pct"][1] for hour in hours], 100.0)),
        surplus=_fan(hours, "surplus_wh", top),
        drawn=_fan(hours, "drawn_wh", top),
        runs=_runs(document),
        hours=tuple(_marks(clocks)),
        scale=Number(f"{top / 1000:g} kWh"),
        said=_said(document),
        rows=tuple(_row(hour, clock) for hour, clock in zip(hours, clocks, strict=True)),
    )


def _fan(hours: Sequence[Mapping[str, Any]], name: str, top: float) -> Fan:
    low, middle, high = (_points([hour[name][place] for hour in hours], top) for place in (0, 1, 2))
    return Fan(f"{_line(high)}L{'L'.join(reversed(low))}Z", _line(middle))


def _points(values: Sequence[float], top: float) -> list[str]:
    """Each half hour's figure at its end, the first at both of its ends."""
    step = WIDTH / len(values)
    places = [(0.0, values[0]), *((step * (place + 1), value) for place, value in enumerate(values))]
    return [f"{x:.1f} {HEIGHT * (1 - min(max(value / top, 0.0), 1.0)):.1f}" for x, value in places]


def _line(points: Sequence[str]) -> str:
    return f"M{'L'.join(points)}"


def _runs(document: Mapping[str, Any]) -> str:
    """The hours in which the grid heats, as upright boxes."""
    start, end = (instant(document[key]).timestamp() for key in ("from", "to"))

    def x(text: str) -> float:
        return WIDTH * (instant(text).timestamp() - start) / (end - start)

    return "".join(
        f"M{x(run['from']):.1f} 0H{x(run['to']):.1f}V{HEIGHT}H{x(run['from']):.1f}Z" for run in document["runs"]
    )


def _marks(clocks: Sequence[str]) -> list[HourMark]:
    found = []
    for place, clock in enumerate(clocks):
        hour, minute = clock.split(":")
        if minute == "00" and int(hour) % _HOURS_APART == 0:
            anchor = "start" if place < 2 else "middle"
            found.append(HourMark(f"{100 * place / len(clocks):.2f}%", clock, anchor))
    return found


def _row(hour: Mapping[str, Any], clock: str) -> TableRow:
    def spread(name: str, figure: Callable[[float], str]) -> str:
        low, middle, high = hour[name]
        return Number(figure(middle) if low == high else f"{figure(middle)} ({figure(low)}–{figure(high)})")

    def pct(value: float) -> str:
        return f"{value:.0f}"

    def kwh(value: float) -> str:
        return fixed(value / 1000)

    return TableRow(
        clock,
        fixed(hour["import_price"], 4),
        spread("level_pct", pct),
        pct(hour["level_without_pct"][1]),
        spread("surplus_wh", kwh),
        spread("drawn_wh", kwh),
    )


def _said(document: Mapping[str, Any]) -> str:
    """What the picture shows, for who does not see it."""
    hours = document["half_hours"]
    planned, without = (f"{hours[-1][name][1]:.0f} %" for name in ("level_pct", "level_without_pct"))
    return say(
        "The level of the tank over the next 24 hours, at the end {planned} with the plan and {without} without;"
        " surplus and draws. The table has all.",
        planned=planned,
        without=without,
    )
