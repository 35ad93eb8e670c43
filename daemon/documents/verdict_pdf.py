"""The verdict as PDF: the same blocks as the page. It needs fpdf2, of the extra `verdict`."""

from collections.abc import Mapping
from datetime import UTC, datetime
from io import BytesIO
from typing import Any

from fpdf import FPDF
from fpdf.enums import TableBordersLayout
from fpdf.fonts import FontFace

from daemon.documents import verdict_text
from daemon.documents.verdict_blocks import Block, blocks, title_of

_WIDTH_MM, _LINE_MM = 170.0, 5.5
_MADE = datetime(2000, 1, 1, tzinfo=UTC)  # the same document gives the same file
_PLAIN = str.maketrans({"−": "-", "’": "'", "–": "-", "—": "-", "…": "...", "³": "3", "√": "sqrt"})


def pdf(document: Mapping[str, Any]) -> bytes:
    """The file's content. document: `brimful.verdict/1`."""
    paper = FPDF()
    paper.set_creation_date(_MADE)
    paper.set_margins(20, 18)
    paper.set_auto_page_break(True, 18)
    paper.set_title(_plain(title_of(document)))
    paper.set_lang("en")
    paper.add_page()
    _write(paper, title_of(document), 18, "B")
    _write(paper, verdict_text.headline(document), 13)
    for block in blocks(document):
        _block(paper, block)
    return bytes(paper.output())


def _block(paper: FPDF, block: Block) -> None:
    if block.chart and paper.will_page_break(75):
        paper.add_page()
    paper.ln(3)
    _write(paper, block.heading, 13, "B")
    for sentence in block.sentences:
        _write(paper, sentence, 11)
    if block.chart:
        paper.image(BytesIO(_plain(block.chart()).encode()), w=_WIDTH_MM)
    if block.rows:
        _write(paper, block.caption, 9, "I")
        paper.set_font("times", size=9)
        align = ("LEFT", *["RIGHT"] * (len(block.heads) - 1))
        with paper.table(
            width=int(_WIDTH_MM),
            line_height=_LINE_MM - 1,
            text_align=align,
            borders_layout=TableBordersLayout.HORIZONTAL_LINES,
            headings_style=FontFace(emphasis="BOLD"),
        ) as table:
            for cells in (block.heads, *block.rows):
                row = table.row()
                for cell in cells:
                    row.cell(_plain(cell))


def _write(paper: FPDF, text: str, size: int, style: str = "") -> None:
    paper.set_font("times", style, size)
    paper.multi_cell(_WIDTH_MM, size * 0.5, _plain(text), new_x="LMARGIN", new_y="NEXT")


def _plain(text: str) -> str:
    """With the characters that the built-in fonts have."""
    return text.translate(_PLAIN).encode("latin-1", "replace").decode("latin-1")
