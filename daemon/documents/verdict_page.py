"""The verdict as one page to read and to print: no script, nothing fetched; every chart with its figures beneath."""

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

from daemon.documents import verdict_text
from daemon.documents.verdict_charts import Bar, Span, band, bars, spans

_STYLE = """
:root { color-scheme: light dark; --ink: #1d2730; --paper: #fdfcf8; --rule: #c9c4b6; --soft: #6b6a63;
  --gain: #2f6d62; --loss: #a5502f; --span: #7d8fa6; }
@media (prefers-color-scheme: dark) { :root { --ink: #e6e3da; --paper: #191d21; --rule: #454a4f; --soft: #a5a49c;
  --gain: #6fb3a5; --loss: #d98a68; --span: #8fa3bd; } }
@media print { :root { color-scheme: light; --ink: #000; --paper: #fff; } section { break-inside: avoid; } }
body { font: 16px/1.5 Georgia, serif; color: var(--ink); background: var(--paper); max-width: 46rem; margin: 2rem auto;
  padding: 0 1rem; }
h1 { font-size: 1.6rem; } h2 { font-size: 1.15rem; border-bottom: 1px solid var(--rule); margin-top: 2rem; }
p.answer { font-size: 1.2rem; } p.source { color: var(--soft); font-size: .9rem; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; font-size: .9rem; }
caption { text-align: left; color: var(--soft); } th, td { padding: .1rem .5rem; border-bottom: 1px solid var(--rule);
  text-align: right; } th:first-child, td:first-child { text-align: left; }
svg { width: 100%; height: auto; margin: .5rem 0; } svg text { font: 12px Georgia, serif; fill: var(--ink); }
.grid { stroke: var(--rule); stroke-width: .6; } .base { stroke: var(--ink); stroke-width: 1.2; }
.gain { fill: var(--gain); } .loss { fill: var(--loss); } .soft { fill-opacity: .45; }
.band { fill: var(--span); fill-opacity: .35; } .line { fill: none; stroke: var(--ink); stroke-width: 2; }
.span { fill: var(--span); } .mid { stroke: var(--ink); stroke-width: 2; }
"""

Document = Mapping[str, Any]
Rows = Sequence[Sequence[str]]


def page(document: Document) -> str:
    """The page, HTML. document: `brimful.verdict/1`."""
    title = f"{document['home']}: was it worth it?" if document["home"] else "Was it worth it?"
    money = document["currency"] or ""
    parts = [f"<h1>{escape(title)}</h1>", f'<p class="answer">{escape(verdict_text.headline(document))}</p>']
    drawn = {
        "Against just exporting": _months,
        "Before and after": _compared,
        "A usual year": _year,
        "Over its life": _life,
        "What matters most": _sensitivity,
    }
    for heading, sentences in verdict_text.sections(document):
        body = "".join(f"<p>{escape(sentence)}</p>" for sentence in sentences)
        chart = drawn[heading](document, money) if heading in drawn else ""
        parts.append(f"<section><h2>{escape(heading)}</h2>{body}{chart}</section>")
    said = verdict_text.notes(document)
    if said:
        items = "".join(f"<li>{escape(note)}</li>" for note in said)
        parts.append(f"<section><h2>To know</h2><ul>{items}</ul></section>")
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{_STYLE}</style></head>\n<body><main>{''.join(parts)}</main></body></html>\n"
    )


def _months(document: Document, money: str) -> str:
    months = document["against_export"]["months"]
    chart = bars(f"Net by month, {money}", [Bar(each["month"], each["net"]) for each in months])
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
    return chart + _table(
        "Net by month, measured", ["month", "kWh", "avoided", "given up", f"net {money}", "covered"], rows
    )


def _compared(document: Document, money: str) -> str:
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
    chart = spans(
        "Energy saved, kWh, with ranges", [Span(name, low, high, middle) for name, low, high, middle in ranges]
    )
    rows = [[name, f"{middle:,.0f}", f"{low:,.0f}", f"{high:,.0f}"] for name, low, high, middle in ranges]
    return chart + _table("Energy saved, kWh, estimated", ["", "kWh", "from", "to"], rows)


def _year(document: Document, money: str) -> str:
    months = document["year"]["months"]
    names = verdict_text.MONTHS
    items = [Bar(names[each["month"] - 1], each["net"], each["source"] == "modelled") for each in months]
    rows = [
        [names[each["month"] - 1], f"{each['diverted_kwh']:,.1f}", f"{each['net']:+,.2f}", each["source"]]
        for each in months
    ]
    return bars(f"A usual year by month, {money}", items) + _table(
        "A usual year; lighter bars are modelled", ["month", "kWh", f"net {money}", "source"], rows
    )


def _life(document: Document, money: str) -> str:
    years = [each for each in document["life"]["by_year"] if each["p50"] is not None]
    low, mid, high = ([each[name] for each in years] for name in ("p10", "p50", "p90"))
    names = [str(place) for place in range(len(years))]
    chart = band(f"Cumulative net against what was spent, {money}, by year", names, low, mid, high)
    rows = [
        [name, f"{a:+,.0f}", f"{b:+,.0f}", f"{c:+,.0f}"] for name, a, b, c in zip(names, low, mid, high, strict=True)
    ]
    return chart + _table(f"Cumulative net, {money}, modelled: 8 in 10 cases", ["year", "low", "middle", "high"], rows)


def _sensitivity(document: Document, money: str) -> str:
    moved = document["sensitivity"]
    life = document["life"]
    middle = life["npv"]["p50"] if life is not None else 0.0
    chart = spans(
        f"Net present value, {money}, over each assumption's range",
        [Span(each["what"], each["npv_low"], each["npv_high"]) for each in moved],
        middle,
    )
    rows = [
        [f"{each['what']}, {each['low']} to {each['high']}", f"{each['npv_low']:+,.0f}", f"{each['npv_high']:+,.0f}"]
        for each in moved
    ]
    return chart + _table(f"Net present value, {money}, assumed ranges", ["assumption", "at low", "at high"], rows)


def _table(caption: str, heads: Sequence[str], rows: Rows) -> str:
    head = "".join(f'<th scope="col">{escape(each)}</th>' for each in heads)
    body = "".join(f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>" for row in rows)
    return f"<table><caption>{escape(caption)}</caption><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
