"""The verdict in blocks, for page and print alike: a heading, sentences, a chart, and its figures as a table."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from typing import Any

from daemon.documents import verdict_text
from daemon.documents.verdict_charts import Bar, Chart, Span, band, bars, spans
from rules.model.formatting import MONTHS, rounded_percent
from rules.model.wording import Day, Number, say

Document = Mapping[str, Any]
Picture = tuple[Chart, tuple[str, list[str], list[list[str]]]]
"""A chart, and its table: caption, heads, rows."""
_SOURCES = {"measured": say("measured"), "modelled": say("modelled")}


@dataclass(frozen=True, slots=True)
class Block:
    """caption, heads, rows: the figures of the chart."""

    heading: str
    sentences: Sequence[str]
    chart: Chart | None = None
    caption: str = ""
    heads: Sequence[str] = ()
    rows: Sequence[Sequence[str]] = ()


def title_of(document: Document) -> str:
    return say("{home}: was it worth it?", home=document["home"]) if document["home"] else say("Was it worth it?")


def blocks(document: Document) -> list[Block]:
    """All of it. document: `brimful.verdict/1`."""
    money = document["currency"] or ""
    drawn: dict[str, Callable[[Document, str], Picture]] = {
        "Against just exporting": _months,
        "Before and after": _compared,
        "A usual year": _year,
        "Over its life": _life,
        "What matters most": _sensitivity,
    }
    found = []
    for heading, sentences in verdict_text.sections(document):
        if heading in drawn:
            chart, table = drawn[heading](document, money)
            found.append(Block(heading, sentences, chart, *table))
        else:
            found.append(Block(heading, sentences))
    said = verdict_text.notes(document)
    return [*found, *([Block(say("To know"), said)] if said else [])]


def _months(document: Document, money: str) -> Picture:
    months = document["against_export"]["months"]
    chart = partial(
        bars, say("Net by month, {money}", money=money), [Bar(each["month"], each["net"]) for each in months]
    )
    rows = [
        [
            each["month"],
            Number(f"{each['diverted_kwh']:,.1f}"),
            Number(f"{each['avoided']:,.2f}"),
            Number(f"{each['given_up']:,.2f}"),
            Number(f"{each['net']:+,.2f}"),
            rounded_percent(each["coverage"]),
        ]
        for each in months
    ]
    return chart, (
        say("Net by month, measured"),
        [say("month"), "kWh", say("avoided"), say("given up"), say("net {money}", money=money), say("measured")],
        rows,
    )


def _compared(document: Document, money: str) -> Picture:
    part = document["before_after"]
    ranges = [(say("saved, modelled"), part["low_kwh"], part["high_kwh"], part["saved_kwh"])]
    if len(part["by_carrier"]) > 1:
        ranges += [
            (
                say("of it {carrier}", carrier=verdict_text.CARRIERS.get(name, name)),
                each["low_kwh"],
                each["high_kwh"],
                each["saved_kwh"],
            )
            for name, each in part["by_carrier"].items()
        ]
    option_c = part["option_c"]
    if option_c["saved_kwh"] is not None and option_c["low_kwh"] is not None:
        ranges.append((say("IPMVP option C"), option_c["low_kwh"], option_c["high_kwh"], option_c["saved_kwh"]))
    ranges.append((say("bare difference"), part["raw_kwh"], part["raw_kwh"], part["raw_kwh"]))
    chart = partial(
        spans,
        say("Energy saved, kWh, with ranges"),
        [Span(name, low, high, middle) for name, low, high, middle in ranges],
    )
    rows = [
        [name, Number(f"{middle:,.0f}"), Number(f"{low:,.0f}"), Number(f"{high:,.0f}")]
        for name, low, high, middle in ranges
    ]
    return chart, (say("Energy saved, kWh, estimated"), ["", "kWh", say("from"), say("to")], rows)


def _year(document: Document, money: str) -> Picture:
    months = document["year"]["months"]
    names = [Day(name, date(2024, 1 + place, 1), "LLL") for place, name in enumerate(MONTHS)]
    items = [Bar(names[each["month"] - 1], each["net"], each["source"] == "modelled") for each in months]
    rows = [
        [
            names[each["month"] - 1],
            Number(f"{each['diverted_kwh']:,.1f}"),
            Number(f"{each['net']:+,.2f}"),
            _SOURCES[each["source"]],
        ]
        for each in months
    ]
    return partial(bars, say("A usual year by month, {money}", money=money), items), (
        say("A usual year; lighter bars are modelled"),
        [say("month"), "kWh", say("net {money}", money=money), say("source")],
        rows,
    )


def _life(document: Document, money: str) -> Picture:
    years = [each for each in document["life"]["by_year"] if each["p50"] is not None]
    low, mid, high = ([each[name] for each in years] for name in ("p10", "p50", "p90"))
    names = [str(place) for place in range(len(years))]
    chart = partial(
        band, say("Cumulative net against what was spent, {money}, by year", money=money), names, low, mid, high
    )
    rows = [
        [name, Number(f"{a:+,.0f}"), Number(f"{b:+,.0f}"), Number(f"{c:+,.0f}")]
        for name, a, b, c in zip(names, low, mid, high, strict=True)
    ]
    return chart, (
        say("Cumulative net, {money}, modelled: 8 in 10 cases", money=money),
        [say("year"), say("low"), say("middle"), say("high")],
        rows,
    )


def _sensitivity(document: Document, money: str) -> Picture:
    moved = document["sensitivity"]
    life = document["life"]
    middle = life["npv"]["p50"] if life is not None else 0.0
    chart = partial(
        spans,
        say("Net present value, {money}, over each assumption's range", money=money),
        [Span(each["what"], each["npv_low"], each["npv_high"]) for each in moved],
        middle,
    )
    rows = [
        [
            say("{what}, {low} to {high}", what=each["what"], low=each["low"], high=each["high"]),
            Number(f"{each['npv_low']:+,.0f}"),
            Number(f"{each['npv_high']:+,.0f}"),
        ]
        for each in moved
    ]
    return chart, (
        say("Net present value, {money}, assumed ranges", money=money),
        [say("assumption"), say("at low"), say("at high")],
        rows,
    )
