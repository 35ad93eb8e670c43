"""The room "Value": what the diverted energy was worth, by period, as a picture and as a table."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import dropwhile
from typing import Any, NamedTuple

from daemon.web.page.views.figures import fixed, period, share
from daemon.web.page.views.value_chart import ValueChart, value_chart
from rules.model.wording import Day, Number, Sentence, joined, say, with_and


class Period(NamedTuple):
    """A length of time in words. column: over the periods' names; by: in the middle of a line; heading: over a table"""

    column: str
    by: str
    heading: str


PERIODS: Mapping[str, Period] = {
    "day": Period(say("day"), say("by day"), say("By day")),
    "week": Period(say("week"), say("by week"), say("By week")),
    "month": Period(say("month"), say("by month"), say("By month")),
    "year": Period(say("year"), say("by year"), say("By year")),
}
_MARKS = (
    (say("not settled yet"), "open_kwh"),
    (say("estimated in part"), "estimated_kwh"),
    (say("a price is missing"), "unpriced_kwh"),
    (say("part set aside"), "set_aside_kwh"),
)
"""What a row's mark says, and the figure that calls for it."""
MOST_ROWS = 400
"""Rows that are set as a table; the CSV has all of them."""


@dataclass(frozen=True, slots=True)
class Line:
    """One row of the table, every figure as it is set. mark: what of it is open or estimated."""

    period: str
    kwh: str
    given_up: str
    avoided: str
    net: str
    kg: str
    coverage: str
    mark: str


@dataclass(frozen=True, slots=True)
class ValueRoom:
    """All that the room shows. chart: the rows as a picture, None without any."""

    by: str
    currency: str
    headline: str
    basis: tuple[str, ...]
    break_even: str
    lines: tuple[Line, ...]
    left_out: int
    total: Line
    bought: bool
    chart: ValueChart | None


def value_room(
    answer: Mapping[str, Any], prices: Mapping[str, Any] | None, changes: Sequence[tuple[float, str]] = ()
) -> ValueRoom:
    """The room, of the answer to `value` (brimful.value/1); rows before the first record are left out.

    prices: those in force, per kWh: export_price, heat_value (None: not known); None while they are not known; changes:
    when prices changed, UTC seconds, and to what.
    """
    rows = list(dropwhile(_unknown, answer["rows"]))
    total, by, currency = answer["total"], answer["by"], answer["currency"]
    carbon = answer["carbon_basis"] is not None
    year = datetime.fromisoformat(total["end"]).year
    lines = [_line(row, by, carbon, year) for row in rows]
    shown = rows[-MOST_ROWS:]
    return ValueRoom(
        by=by,
        currency=currency,
        headline=_headline(total, currency, rows),
        basis=tuple(_basis(answer)),
        break_even=break_even(prices, currency),
        lines=tuple(lines[-MOST_ROWS:]),
        left_out=max(0, len(lines) - MOST_ROWS),
        total=_line(total, by, carbon, year),
        bought=bool(total.get("grid_kwh") or total.get("battery_kwh")),
        chart=value_chart(shown, by, currency, [line.period for line in lines[-MOST_ROWS:]], changes),
    )


def hardware(answer: Mapping[str, Any], cost: float) -> str:
    """What diverting has brought beside what its hardware cost; "" while no net is known. answer: to `value`, since it
    was bought; cost: with the fitting, in the home's currency."""
    net, currency = answer["total"]["net"], answer["currency"]
    if net is None:
        return ""
    return say(
        "By the books, diverting has brought {net} so far against just exporting; the hardware cost {cost}. What the "
        "hardware itself draws is not taken off.",
        net=Number(f"{fixed(net, sign=True)} {currency}"),
        cost=Number(f"{fixed(cost)} {currency}"),
    )


def break_even(prices: Mapping[str, Any] | None, currency: str) -> str:
    """Up to which export price diverting pays now, and what export pays."""
    heat, export = (None, None) if prices is None else (prices["heat_value"], prices["export_price"])
    if heat is None:
        return say("What a diverted kWh displaces has no known price now, so there is no break-even.")
    worth = say(
        "A diverted kWh displaces heat worth {money} now: diverting pays while export pays less.",
        money=Number(f"{fixed(heat, 4)} {currency}"),
    )
    return joined((worth, _export_pays(heat, export)), " ")


def _export_pays(heat: float, export: float | None) -> str:
    if export is None:
        return say("What export pays now is not known.")
    gain, price = heat - export, fixed(export, 4)
    if fixed(abs(gain), 4) == fixed(0, 4):
        return say("Export pays just as much.")
    if gain > 0:
        return say("Export pays {price} now, so each kWh gains {gain}.", price=price, gain=fixed(gain, 4))
    return say("Export pays {price} now, so each kWh loses {loss}.", price=price, loss=fixed(-gain, 4))


def carbon_sentence(net_kg: float, basis: str) -> str:
    """The carbon in words, so that no sign has to be read."""
    figure, by = fixed(abs(net_kg), 2), _BASES.get(basis) or f"{basis} factors"
    if figure == "0.00":
        return say("In carbon, by {factors}, diverting came to the same as exporting.", factors=by)
    if net_kg > 0:
        return say(
            "In carbon, by {factors}, diverting saved {mass} kg CO2e against exporting.", factors=by, mass=figure
        )
    return say(
        "In carbon, by {factors}, diverting caused {mass} kg CO2e more than exporting would have: exported solar"
        " displaces the grid’s carbon too.",
        factors=by,
        mass=figure,
    )


_BASES = {"average": say("average factors"), "marginal": say("marginal factors")}


def _unknown(row: Mapping[str, Any]) -> bool:
    """Whether nothing at all is known of a row's time."""
    return not row["coverage"] and not row["diverted_kwh"]


def _line(row: Mapping[str, Any], by: str, carbon: bool, year: int) -> Line:
    marks = [words for words, key in _MARKS if row.get(key)]
    return Line(
        period=period(row["start"], by, year),
        kwh=fixed(row["diverted_kwh"], 3),
        given_up=fixed(row["given_up"]),
        avoided=fixed(row["avoided"]),
        net=fixed(row["net"], sign=True),
        kg=fixed(row["net_kg"], 2, sign=True) if carbon else "–",
        coverage=share(row["coverage"]),
        mark=joined(marks),
    )


def _headline(total: Mapping[str, Any], currency: str, rows: Sequence[Mapping[str, Any]]) -> str:
    if not rows or not total["diverted_kwh"]:
        return say("Nothing has been diverted in this time.")
    net, span = total["net"], _span(rows[0]["start"], total["end"])
    energy = Number(f"{rounded_kwh(total['diverted_kwh'])} kWh")
    if fixed(net) == "0.00":
        return say("{span}, diverting {energy} was worth the same as exporting it.", span=span, energy=energy)
    money = Number(f"{fixed(abs(net))} {currency}")
    if net > 0:
        return say(
            "{span}, diverting {energy} was worth {money} more than exporting it.",
            span=span,
            energy=energy,
            money=money,
        )
    return say("{span}, diverting {energy} cost {money} against exporting it.", span=span, energy=energy, money=money)


def rounded_kwh(kwh: float) -> str:
    """Energy as a sentence carries it: three figures or so, the table has all of them."""
    return fixed(kwh, 0 if kwh >= 100 else 1 if kwh >= 10 else 2)


def _span(start: str, end: str) -> str:
    """ "From 10 May to 10 June 2026": both days included."""
    first = datetime.fromisoformat(start)
    last = datetime.fromisoformat(end) - timedelta(seconds=1)
    if first.date() == last.date():
        return say("On {day}", day=_dated(last))
    begin = Day(f"{first.day} {first:%B}", first.date(), "MMMMd") if first.year == last.year else _dated(first)
    return say("From {begin} to {end}", begin=begin, end=_dated(last))


def _dated(at: datetime) -> Day:
    return Day(f"{at.day} {at:%B} {at.year}", at.date(), "long")


def _basis(answer: Mapping[str, Any]) -> list[str]:
    """What the figures rest on, a sentence each."""
    total = answer["total"]
    parts = [joined((share(source["share"]), source["source"]), " ") for source in answer["displaces"]]
    rest = joined(parts) or say("nothing")
    if answer.get("displaces_by_month"):
        rest = say("{sources}, month by month", sources=with_and(source["source"] for source in answer["displaces"]))
    used = say("by the heat stock") if answer.get("used_basis") == "measured" else say("as it was booked")
    said: list[str] = [
        say("{share} of this time was measured.", share=share(total["coverage"])),
        say(
            "The heat displaces {sources}; {share} of it counts as used, {how}.",
            sources=rest,
            share=share(answer["used"]),
            how=used,
        ),
    ]
    if answer["carbon_basis"] is None:
        said.append(say("Carbon is not counted: a factor is missing."))
    else:
        said.append(carbon_sentence(total["net_kg"], answer["carbon_basis"]))
    marks = (
        ("open_kwh", say("not settled yet")),
        ("estimated_kwh", say("estimated over gaps")),
    )
    of_it = [joined((Number(f"{fixed(total[key], 3)} kWh"), what), " ") for key, what in marks if total[key]]
    if of_it:
        said.append(say("Of it {parts}.", parts=joined(of_it)))
    if total.get("set_aside_kwh"):
        energy = Number(f"{fixed(total['set_aside_kwh'], 3)} kWh")
        said.append(say("The counters show {energy} more, set aside: no heater can have taken it.", energy=energy))
    gave = [
        joined((Number(f"{fixed(total[f'{name}_kwh'], 3)} kWh"), words), " ")
        for name, words in (("grid", say("from the grid")), ("battery", say("from the battery")))
        if total.get(f"{name}_kwh")
    ]
    if gave:
        money = Number(f"{fixed(total['bought'])} {answer['currency']}")
        said.append(
            say("While diverting {energies}, for {money}; net is less by that.", energies=with_and(gave), money=money)
        )
    return said + [Sentence(note) for note in answer.get("notes", ())]
