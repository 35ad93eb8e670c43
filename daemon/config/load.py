"""Reads a home file, or says everything that is wrong with it at once."""

import tomllib
from collections.abc import Mapping
from decimal import Decimal, DecimalException
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from daemon.config.checks import Names, check
from daemon.config.model import Home
from daemon.config.wording import OP, problems
from rules.model.errors import BrimfulError

LARGEST_BYTES = 1_000_000
_STAND_INS: Mapping[str, Any] = {
    "home": {"name": "-", "timezone": "UTC", "currency": "XXX"},  # ISO 4217's code for no currency
    "signals": {},
    "heaters": {},
}
_ENTRIES = {
    "signals",
    "heaters",
    "outputs",
    "rules",
    "tariffs",
    "carbon",
}  # tables of tables: one bad entry, one left out


class ConfigError(BrimfulError):
    """All that is wrong with a home file; its text is one problem a line."""

    def __init__(self, file_name: str, found: list[BrimfulError]) -> None:
        count = "one problem" if len(found) == 1 else f"{len(found)} problems"
        super().__init__(OP, file_name, count)
        self.problems = found

    def __str__(self) -> str:
        return "\n".join(str(found) for found in self.problems)


def load(path: Path) -> Home:
    """The home a file describes. Secrets are not read here: see daemon.config.secrets.

    Raises ConfigError with every problem found.
    """
    return parse(read_bytes(path), path)


def read_bytes(path: Path) -> bytes:
    """The file's content. Raises ConfigError where it cannot be read."""
    hint = "name another with --home, or set BRIMFUL_HOME"
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_BYTES + 1)
    except FileNotFoundError:
        raise _unreadable(path, f"expected a home file, found none at {path}", hint) from None
    except OSError as refused:
        raise _unreadable(path, f"expected a readable file, got {str(refused.strerror).lower()}") from None
    except ValueError:
        raise _unreadable(path, "expected a path, got one with a zero byte") from None
    if len(content) > LARGEST_BYTES:
        raise _unreadable(path, f"expected at most {LARGEST_BYTES // 1000} kB, got more", "is this a home file?")
    return content


def parse(content: bytes, path: Path) -> Home:
    """The home that a file's content describes; path: where it is, for messages and for the paths in it."""
    return made(toml(content, path), path)


def made(raw: dict[str, Any], path: Path) -> Home:
    """The home that TOML data describes; path: as in `parse`. Raises ConfigError."""
    name = path.name
    try:
        home = Home.model_validate(raw)
    except ValidationError as invalid:
        found = list(problems(Home, invalid, raw, name))
        rest = _without(raw, invalid)
        if rest is not None:
            said = {each.subject for each in found}
            found += [each for each in check(rest, Names.of(raw), name) if each.subject not in said]
        raise ConfigError(name, found) from None
    home._file = path
    if found := check(home, Names.of(raw), name):
        raise ConfigError(name, found)
    return home


def made_broker(raw: Mapping[str, Any], path: Path) -> Home:
    """The [broker] and [ledger] of TOML data alone, whatever else it lacks: enough to listen. path: as in `parse`.

    Raises ConfigError.
    """
    kept = {key: raw[key] for key in ("broker", "ledger") if key in raw}
    try:
        home = Home.model_validate({**_STAND_INS, **kept})
    except ValidationError as invalid:
        raise ConfigError(path.name, list(problems(Home, invalid, kept, path.name))) from None
    home._file = path
    return home


def toml(content: bytes, path: Path) -> dict[str, Any]:
    """The file as TOML, numbers with a point as exact decimals. Raises ConfigError with line and column."""
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError as wrong:
        line = content.count(b"\n", 0, wrong.start) + 1
        got = f"expected UTF-8 text, got the byte 0x{content[wrong.start]:02x} on line {line}"
        raise _unreadable(path, got, "save the file as UTF-8") from None
    if text.startswith("\ufeff"):
        raise _unreadable(path, "expected UTF-8 text, got a byte-order mark before it", "save the file without one")
    try:
        return loads(text)
    except RecursionError:
        raise _unreadable(path, "expected TOML, got tables or lists nested too deeply") from None
    except ValueError as wrong:  # TOMLDecodeError, or a number of more digits than Python reads
        raise _unreadable(path, f"expected TOML, got a mistake: {wrong}") from None


def loads(text: str) -> dict[str, Any]:
    """TOML with exact decimals. Raises ValueError or RecursionError."""
    return tomllib.loads(text, parse_float=_decimal)


def _decimal(text: str) -> Decimal:
    try:
        return Decimal(text)
    except DecimalException:
        raise ValueError(f"{text[:40]!r} is beyond any number") from None


def _unreadable(path: Path, cause: str, hint: str = "") -> ConfigError:
    return ConfigError(path.name, [BrimfulError(OP, path.name, cause, hint)])


def _without(raw: Mapping[str, Any], invalid: ValidationError) -> Home | None:
    """The home without the tables that are wrong, so that the rest is checked too; None: no sense can be made of it."""
    rest = dict(_STAND_INS) | {key: dict(value) if isinstance(value, dict) else value for key, value in raw.items()}
    for error in invalid.errors(include_url=False, include_context=False, include_input=False):
        top, *inner = error["loc"]
        table = rest.get(str(top))
        if str(top) in _ENTRIES and inner and isinstance(table, dict):
            table.pop(str(inner[0]), None)
        elif str(top) in _STAND_INS:
            rest[str(top)] = _STAND_INS[str(top)]
        else:
            rest.pop(str(top), None)
    try:
        return Home.model_validate(rest)
    except ValidationError:
        return None
