"""The room "Value": what the diverted energy was worth, by period, as a picture and as a table."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import dropwhile
from typing import Any

from daemon.web.page.views.figures import fixed, period, sentence, share
from daemon.web.page.views.value_chart import ValueChart, value_chart

PERIODS = ("day", "week", "month", "year")
_MARKS = (
    ("not settled yet", "open_kwh"),
    ("estimated in part", "estimated_kwh"),
    ("a price is missing", "unpriced_kwh"),
    ("part set aside", "set_aside_kwh"),
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


def break_even(prices: Mapping[str, Any] | None, currency: str) -> str:
    """Up to which export price diverting pays now, and what export pays."""
    heat, export = (None, None) if prices is None else (prices["heat_value"], prices["export_price"])
    if heat is None:
        return "What a diverted kWh displaces has no known price now, so there is no break-even."
    said = f"A diverted kWh displaces heat worth {fixed(heat, 4)} {currency} now: diverting pays while export pays less"
    if export is None:
        return f"{said}. What export pays now is not known."
    gain = heat - export
    if fixed(abs(gain), 4) == fixed(0, 4):
        return f"{said}. Export pays just as much."
    verdict = f"each kWh gains {fixed(gain, 4)}" if gain > 0 else f"each kWh loses {fixed(-gain, 4)}"
    return f"{said}. Export pays {fixed(export, 4)} now, so {verdict}."


def carbon_sentence(net_kg: float, basis: str) -> str:
    """The carbon in words, so that no sign has to be read."""
    figure = fixed(abs(net_kg), 2)
    if figure == "0.00":
        return f"In carbon, by {basis} factors, diverting came to the same as exporting."
    if net_kg > 0:
        return f"In carbon, by {basis} factors, diverting saved {figure} kg CO2e against exporting."
    return (
        f"In carbon, by {basis} factors, diverting caused {figure} kg CO2e more than exporting would have: exported"
        " solar displaces the grid’s carbon too."
    )


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
        mark=", ".join(marks),
    )


def _headline(total: Mapping[str, Any], currency: str, rows: Sequence[Mapping[str, Any]]) -> str:
    if not rows or not total["diverted_kwh"]:
        return "Nothing has been diverted in this time."
    kwh, net = rounded_kwh(total["diverted_kwh"]), total["net"]
    said = f"{_span(rows[0]['start'], total['end'])}, diverting {kwh} kWh"
    if fixed(net) == "0.00":
        return f"{said} was worth the same as exporting it."
    if net > 0:
        return f"{said} was worth {fixed(net)} {currency} more than exporting it."
    return f"{said} cost {fixed(-net)} {currency} against exporting it."


def rounded_kwh(kwh: float) -> str:
    """Energy as a sentence carries it: three figures or so, the table has all of them."""
    return fixed(kwh, 0 if kwh >= 100 else 1 if kwh >= 10 else 2)


def _span(start: str, end: str) -> str:
    """ "From 10 May to 10 June 2026": both days included."""
    first = datetime.fromisoformat(start)
    last = datetime.fromisoformat(end) - timedelta(seconds=1)
    if first.date() == last.date():
        return f"On {last.day} {last:%B} {last.year}"
    year = "" if first.year == last.year else f" {first.year}"
    return f"From {first.day} {first:%B}{year} to {last.day} {last:%B} {last.year}"


def _basis(answer: Mapping[str, Any]) -> list[str]:
    """What the figures rest on, a sentence each."""
    total = answer["total"]
    rest = ", ".join(f"{share(source['share'])} {source['source']}" for source in answer["displaces"]) or "nothing"
    if answer.get("displaces_by_month"):
        rest = f"{' and '.join(source['source'] for source in answer['displaces'])}, month by month"
    used = "by the heat stock" if answer.get("used_basis") == "measured" else "as it was booked"
    said = [
        f"{share(total['coverage'])} of this time was measured.",
        f"The heat displaces {rest}; {share(answer['used'])} of it counts as used, {used}.",
    ]
    if answer["carbon_basis"] is None:
        said.append("Carbon is not counted: a factor is missing.")
    else:
        said.append(carbon_sentence(total["net_kg"], answer["carbon_basis"]))
    marks = (
        ("open_kwh", "not settled yet"),
        ("estimated_kwh", "estimated over gaps"),
    )
    of_it = [f"{fixed(total[key], 3)} kWh {what}" for key, what in marks if total[key]]
    if of_it:
        said.append(f"Of it {', '.join(of_it)}.")
    if total.get("set_aside_kwh"):
        said.append(
            f"The counters show {fixed(total['set_aside_kwh'], 3)} kWh more, set aside: no heater can have taken it."
        )
    gave = [(total[f"{name}_kwh"], name) for name in ("grid", "battery") if total.get(f"{name}_kwh")]
    if gave:
        whence = " and ".join(f"{fixed(kwh, 3)} kWh from the {name}" for kwh, name in gave)
        said.append(
            f"While diverting {whence}, for {fixed(total['bought'])} {answer['currency']}; net is less by that."
        )
    return said + [sentence(note) for note in answer.get("notes", ())]
