"""The verdict as one page to read and to print: no script, nothing fetched; every chart with its figures beneath."""

from collections.abc import Mapping
from html import escape
from typing import Any

from daemon.documents import verdict_text
from daemon.documents.verdict_blocks import Block, blocks, title_of

_STYLE = """
:root { color-scheme: light dark; --ink: #1d2730; --paper: #fdfcf8; --rule: #c9c4b6; --soft: #6b6a63;
  --gain: #2f6d62; --loss: #a5502f; --span: #7d8fa6; }
@media (prefers-color-scheme: dark) { :root { --ink: #e6e3da; --paper: #191d21; --rule: #454a4f; --soft: #a5a49c;
  --gain: #6fb3a5; --loss: #d98a68; --span: #8fa3bd; } }
@media print { :root { color-scheme: light; --ink: #000; --paper: #fff; } section { break-inside: avoid; } }
body { font: 16px/1.5 ui-serif, serif; color: var(--ink); background: var(--paper); max-width: 46rem; margin: 2rem auto;
  padding: 0 1rem; }
h1 { font-size: 1.6rem; } h2 { font-size: 1.15rem; border-bottom: 1px solid var(--rule); margin-top: 2rem; }
p.answer { font-size: 1.2rem; } p.source { color: var(--soft); font-size: .9rem; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; font-size: .9rem; }
caption { text-align: left; color: var(--soft); } th, td { padding: .1rem .5rem; border-bottom: 1px solid var(--rule);
  text-align: right; } th:first-child, td:first-child { text-align: left; }
svg { display: block; width: 100%; height: auto; margin: .5rem 0; }
svg text { font: 12px ui-serif, serif; fill: var(--ink); }
.grid { stroke: var(--rule); stroke-width: .6; } .base { stroke: var(--ink); stroke-width: 1.2; }
.gain { fill: var(--gain); } .loss { fill: var(--loss); } .soft { fill-opacity: .45; }
.band { fill: var(--span); fill-opacity: .35; } .line { fill: none; stroke: var(--ink); stroke-width: 2; }
.span { fill: var(--span); } .mid { stroke: var(--ink); stroke-width: 2; } .narrow { display: none; }
@media screen and (max-width: 40rem) { .wide { display: none; } .narrow { display: block; }
  table { font-size: .8rem; } th, td { padding: .1rem .15rem; } }
"""

Document = Mapping[str, Any]


def page(document: Document) -> str:
    """The page, HTML. document: `brimful.verdict/1`."""
    title = title_of(document)
    parts = [f"<h1>{escape(title)}</h1>", f'<p class="answer">{escape(verdict_text.headline(document))}</p>']
    for block in blocks(document):
        body = "".join(f"<p>{escape(sentence)}</p>" for sentence in block.sentences)
        parts.append(f"<section><h2>{escape(block.heading)}</h2>{body}{_chart(block)}{_table(block)}</section>")
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{_STYLE}</style></head>\n"
        f"<body><main>{''.join(parts)}</main></body></html>\n"
    )


def _chart(block: Block) -> str:
    """For a desk and for a phone; the style shows one."""
    if block.chart is None:
        return ""
    return f'<div class="wide">{block.chart()}</div><div class="narrow">{block.chart(narrow=True)}</div>'


def _table(block: Block) -> str:
    if not block.rows:
        return ""
    head = "".join(f'<th scope="col">{escape(each)}</th>' for each in block.heads)
    body = "".join(f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>" for row in block.rows)
    return (
        f"<table><caption>{escape(block.caption)}</caption><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
    )
