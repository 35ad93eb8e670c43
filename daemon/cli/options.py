"""Options that several commands share."""

import json
import os
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

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


def echo_json(content: Any) -> None:
    """Print one JSON document, readable and stable."""
    click.echo(json.dumps(content, ensure_ascii=False, indent=2))
