"""Options that several commands share."""

import json
import os
import re
import shutil
import sys
import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

OFF_TERMINAL_COLUMNS = 80
_WIDEST = 1000
_PARTS = re.compile(r"(\d+(?:\.\d+)?)\s*(d|h|min|m|s)")
_SECONDS = {"d": 86_400, "h": 3600, "min": 60, "m": 60, "s": 1}


Command = Callable[..., Any]


def default_home() -> Path:
    """The home file when none is named: $BRIMFUL_HOME, else home.toml here."""
    return Path(os.environ.get("BRIMFUL_HOME") or "home.toml")


def home_option(command: Command) -> Command:
    """--home HOME.toml"""
    return click.option(
        "--home",
        type=click.Path(path_type=Path, dir_okay=False),
        default=default_home,
        show_default="$BRIMFUL_HOME, else home.toml",
        help="The home file.",
    )(command)


def json_option(command: Command) -> Command:
    """--json"""
    return click.option("--json", "as_json", is_flag=True, help="Print JSON.")(command)


class Duration(click.ParamType[float]):
    """A time span such as 90min, 2h, 1h30m or 1d, as seconds."""

    name = "duration"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        if isinstance(value, int | float):
            return float(value)
        text = str(value).strip().lower()
        parts = _PARTS.findall(text)
        if not parts or _PARTS.sub("", text).strip():
            self.fail(f"expected a duration like 90min, 2h or 1d, got {value!r}", param, ctx)
        return sum(float(number) * _SECONDS[unit] for number, unit in parts)


def fitted(text: str, indent: int = 0) -> str:
    """Text in lines that fit the terminal, all but the first indented by so many columns."""
    width = max(shutil.get_terminal_size().columns, 40)
    return textwrap.fill(text, width, subsequent_indent=" " * indent, break_long_words=False, break_on_hyphens=False)


def visible(text: str) -> str:
    """Text from outside as one line: what would steer a terminal, or begin a line, is shown as its escape."""
    return "".join(one if one.isprintable() else one.encode("unicode_escape").decode("ascii") for one in text)


def echo_line(text: str, indent: int = 0, *, err: bool = False) -> None:
    """Print what is one line for a program to read, and as many as it takes to fit for a person at a terminal."""
    stream = sys.stderr if err else sys.stdout
    click.echo(fitted(text, indent) if stream.isatty() else text, err=err)


def statement_console() -> "Console":
    """A console for tables and sentences: as wide as the terminal, 80 columns where there is none. What stands in
    brackets, in a home's name say, is text and no markup."""
    from rich.console import Console  # takes a while

    return Console(highlight=False, markup=False, width=None if Console().is_terminal else OFF_TERMINAL_COLUMNS)


def print_whole(console: "Console", table: "Table") -> None:
    """Print a table with every figure in full, if need be wider than the console: a figure cut short is another."""
    unbounded = console.options.update(width=_WIDEST)
    console.width = max(width := console.width, console.measure(table, options=unbounded).maximum)
    console.print(table)
    console.width = width


def echo_json(content: Any) -> None:
    """Print one JSON document, readable and stable."""
    click.echo(json.dumps(content, ensure_ascii=False, indent=2))
