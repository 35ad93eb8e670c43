"""The verdict in blocks, for page and print alike: a heading, sentences, a chart, and its figures as a table."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from daemon.documents import verdict_text
from daemon.documents.verdict_charts import Bar, Chart, Span, band, bars, spans

Document = Mapping[str, Any]
Picture = tuple[Chart, tuple[str, list[str], list[list[str]]]]
"""A chart, and its table: caption, heads, rows."""


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
    return f"{document['home']}: was it worth it?" if document["home"] else "Was it worth it?"


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
    return [*found, *([Block("To know", said)] if said else [])]


def _months(document: Document, money: str) -> Picture:
    months = document["against_export"]["months"]
    chart = partial(bars, f"Net by month, {money}", [Bar(each["month"], each["net"]) for each in months])
    rows = [
        [
            each["month"],
            f"{each['diverted_kwh']:,.1f}",
            f"{each['avoided']:,.2f}",
            f"{each['given_up']:,.2f}",
            f"{each['net']:+,.2f}",
            f"{each['coverage']:.0%}",
        ]
        for each in months
    ]
    return chart, ("Net by month, measured", ["month", "kWh", "avoided", "given up", f"net {money}", "measured"], rows)


def _compared(document: Document, money: str) -> Picture:
    part = document["before_after"]
    ranges = [("saved, modelled", part["low_kwh"], part["high_kwh"], part["saved_kwh"])]
    if len(part["by_carrier"]) > 1:
        ranges += [
            (f"of it {name}", each["low_kwh"], each["high_kwh"], each["saved_kwh"])
            for name, each in part["by_carrier"].items()
        ]
    option_c = part["option_c"]
    if option_c["saved_kwh"] is not None and option_c["low_kwh"] is not None:
        ranges.append(("IPMVP option C", option_c["low_kwh"], option_c["high_kwh"], option_c["saved_kwh"]))
    ranges.append(("bare difference", part["raw_kwh"], part["raw_kwh"], part["raw_kwh"]))
    chart = partial(
        spans, "Energy saved, kWh, with ranges", [Span(name, low, high, middle) for name, low, high, middle in ranges]
    )
    rows = [[name, f"{middle:,.0f}", f"{low:,.0f}", f"{high:,.0f}"] for name, low, high, middle in ranges]
    return chart, ("Energy saved, kWh, estimated", ["", "kWh", "from", "to"], rows)


def _year(document: Document, money: str) -> Picture:
    months = document["year"]["months"]
    names = verdict_text.MONTHS
    items = [Bar(names[each["month"] - 1], each["net"], each["source"] == "modelled") for each in months]
    rows = [
        [names[each["month"] - 1], f"{each['diverted_kwh']:,.1f}", f"{each['net']:+,.2f}", each["source"]]
        for each in months
    ]
    return partial(bars, f"A usual year by month, {money}", items), (
        "A usual year; lighter bars are modelled",
        ["month", "kWh", f"net {money}", "source"],
        rows,
    )


def _life(document: Document, money: str) -> Picture:
    years = [each for each in document["life"]["by_year"] if each["p50"] is not None]
    low, mid, high = ([each[name] for each in years] for name in ("p10", "p50", "p90"))
    names = [str(place) for place in range(len(years))]
    chart = partial(band, f"Cumulative net against what was spent, {money}, by year", names, low, mid, high)
    rows = [
        [name, f"{a:+,.0f}", f"{b:+,.0f}", f"{c:+,.0f}"] for name, a, b, c in zip(names, low, mid, high, strict=True)
    ]
    return chart, (f"Cumulative net, {money}, modelled: 8 in 10 cases", ["year", "low", "middle", "high"], rows)


def _sensitivity(document: Document, money: str) -> Picture:
    moved = document["sensitivity"]
    life = document["life"]
    middle = life["npv"]["p50"] if life is not None else 0.0
    chart = partial(
        spans,
        f"Net present value, {money}, over each assumption's range",
        [Span(each["what"], each["npv_low"], each["npv_high"]) for each in moved],
        middle,
    )
    rows = [
        [f"{each['what']}, {each['low']} to {each['high']}", f"{each['npv_low']:+,.0f}", f"{each['npv_high']:+,.0f}"]
        for each in moved
    ]
    return chart, (f"Net present value, {money}, assumed ranges", ["assumption", "at low", "at high"], rows)
