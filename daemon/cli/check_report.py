"""Writes what `check` found into one file without secrets."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import click

from daemon.config.load import load
from daemon.documents.times import iso
from daemon.setup.help_report import help_report
from daemon.setup.masking import mask_of, mask_of_refused
from daemon.timing.clock import SystemClock
from daemon.web.api.client import ask
from rules.model.errors import BrimfulError


def write_report(home_file: Path, report: Path, lines: Sequence[tuple[str, bool, str]]) -> None:
    """lines: what was looked at, whether it is well, and the sentence. Raises BrimfulError: it cannot be written."""
    try:
        home = load(home_file)
    except BrimfulError:
        home = None
    mask = mask_of_refused(home_file) if home is None else mask_of(home)
    text = help_report(lines, home, _health(home_file), mask, iso(SystemClock().now().utc_s))
    try:
        report.write_text(text, encoding="utf-8")
    except OSError as refused:
        raise BrimfulError("write a report", str(report), f"{refused.strerror or refused}") from None
    click.echo(f"written: {report}; read it through before you send it", err=True)


def _health(home_file: Path) -> Mapping[str, Any] | None:
    try:
        health: Mapping[str, Any] = ask(home_file, "GET", "/api/health")
    except BrimfulError:
        return None
    return health
