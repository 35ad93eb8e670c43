"""Was it worth it? By the history, the books, or both. Read-only; it needs no running daemon, but numpy and scipy."""

import textwrap
from datetime import date
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import click

from daemon.cli.options import default_home, echo_json, home_option, json_option
from daemon.config.load import load
from daemon.config.model import Home
from daemon.documents import verdict_text
from daemon.documents.off_spans import off_span
from daemon.documents.verdict_reckoning import GET_IT, need_libraries, reckon
from daemon.simulation.advised_rules import advised_rules
from rules.model.errors import BrimfulError

OP = "work out the verdict"
_WIDTH = 78
_MOST = 1e6


@click.command()
@click.option("--history", type=click.Path(path_type=Path), help="CSV of past periods. Default: the home file's.")
@click.option("--installed", metavar="DATE", help="First day with the hardware. Default: the home file's.")
@click.option("--ledger", type=click.Path(path_type=Path), help="The ledger, if not the home file's.")
@click.option(
    "--report", type=click.Path(path_type=Path, dir_okay=False), help="Also write it to FILE.html or FILE.pdf."
)
@click.option(
    "--off",
    multiple=True,
    metavar="FROM..TO",
    help="What switching off would have saved; 05-01..09-01: each year.",
)
@click.option("--within", type=float, metavar="MONEY", help="How exact a day's saving should be, plus or minus.")
@home_option
@json_option
def verdict(
    history: Path | None,
    installed: str | None,
    ledger: Path | None,
    report: Path | None,
    off: tuple[str, ...],
    within: float | None,
    home: Path,
    as_json: bool,
) -> None:
    """Was it worth it?

    Against just exporting, by the books; before and after the hardware, by the history; over its life, by both. The
    history is a CSV file with a row for each period before and after: from, to (not included), then any of
    electricity_kwh, gas_kwh, gas_m3 with gas_kwh_per_m3, diverted_kwh, export_kwh, pv_kwh, water_l, away_days,
    outdoor_c, inlet_c, estimated, note. An empty cell is not known. Every figure names its source; what has no
    answer yet says what would give one. It works from the history alone, from the books alone, or from both.
    """
    need_libraries()
    _check_report(report)
    if within is not None and not 0 < within < _MOST:
        raise BrimfulError(OP, "--within", f"expected an amount of money above 0, got {within:g}")
    loaded = _loaded(home, alone=history is not None)
    since = _day(installed) if installed is not None else None
    document = reckon(loaded, history, since, ledger, within, [off_span(text) for text in off], advised_rules)
    if report is not None:
        _write_report(report, document)
    if as_json:
        echo_json(document)
    else:
        for line in report_lines(document):
            click.echo(line)


def report_lines(document: dict[str, Any]) -> list[str]:
    """The report, 80 columns at most."""
    title = f"{document['home']}: was it worth it?" if document["home"] else "Was it worth it?"
    lines = [click.style(title, bold=True), *_wrapped(verdict_text.headline(document), "")]
    for heading, sentences in verdict_text.sections(document):
        lines.append(click.style(heading, bold=True))
        lines += _wrapped(" ".join(sentences), "  ")
    said = verdict_text.notes(document)
    if said:
        lines.append(click.style("To know", bold=True))
        lines += [line for note in said for line in _wrapped(note, "  ")]
    return lines


def _wrapped(text: str, indent: str) -> list[str]:
    return textwrap.wrap(
        text, _WIDTH, initial_indent=indent, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )


def _check_report(report: Path | None) -> None:
    """Refuse what cannot be written before all is worked out."""
    if report is None:
        return
    kind = report.suffix.lower()
    if kind not in (".html", ".pdf"):
        raise BrimfulError(OP, "--report", f"expected a file name that ends in .html or .pdf, got {report.name}")
    if kind == ".pdf" and find_spec("fpdf") is None:
        raise BrimfulError(OP, "--report", "expected fpdf2 for a PDF, found none", GET_IT)


def _loaded(home: Path, *, alone: bool) -> Home | None:
    """The home file; None where none is named or there, and a history stands alone."""
    if alone and home == default_home() and not home.exists():
        return None
    return load(home)


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise BrimfulError(OP, "--installed", f"expected a date like 2026-01-31, got {text!r}") from None


def _write_report(report: Path, document: dict[str, Any]) -> None:
    if report.suffix.lower() == ".pdf":
        from daemon.documents.verdict_pdf import pdf

        content = pdf(document)
    else:
        from daemon.documents.verdict_page import page

        content = page(document).encode()
    try:
        report.write_bytes(content)
    except OSError as refused:
        raise BrimfulError(OP, str(report), f"cannot be written: {refused.strerror}") from refused
    click.echo(f"Written: {report}", err=True)
