"""Shows the rules, and changes one in the home file: comments and layout kept, validated before it is written."""

import contextlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal, DecimalException
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from daemon.config.load import ConfigError, parse, read_bytes
from daemon.config.model import Home
from daemon.config.places import field_of, keys_of
from daemon.config.replacing import replace_file
from daemon.config.rewrite import rewritten
from daemon.config.rule_tables import TABLES, Alternate, Away, Heaters
from daemon.config.wording import close, problem
from rules.model.wording import say

OP = "change a rule"
_NEXT_TO = {"resume_below_c": "resume_c", "resume_below_pct": "resume_pct"}  # keys whose default follows another key


@dataclass(frozen=True, slots=True)
class Shown:
    """A rule's key: the value that holds, and whether the file sets it."""

    value: Any
    is_set: bool


@dataclass(frozen=True, slots=True)
class KeyChange:
    """One key, and the value that held before and holds after."""

    key: str
    old: Any
    new: Any


@dataclass(frozen=True, slots=True)
class Change:
    """A change of one rule. keys: what differs; home: the home after it; content: the file after it."""

    rule: str
    keys: tuple[KeyChange, ...]
    home: Home
    content: bytes


def rules_shown(home: Home) -> dict[str, dict[str, Shown]]:
    """Every rule with every key: plain values (numbers, text, lists), None where nothing is set and nothing holds."""
    return {rule: _keys_shown(home, rule) for rule in TABLES}


def preview_rule(path: Path, rule: str, values: Mapping[str, str]) -> Change:
    """What `set_rule` would do; nothing is written. Raises as it does."""
    return _changed(path, read_bytes(path), rule, values)


def set_rule(
    path: Path, rule: str, values: Mapping[str, str], fits: Callable[[Home], object] = lambda home: None
) -> Change:
    """Set keys of a rule in the home file; an empty text takes the key out, so that its default holds again.

    values: by key, as a person writes them ("92", "true", "upper,lower", "2026-08-01/2026-08-15").
    fits: asked before anything is written; raises BrimfulError where the changed home could not be run.
    Raises ConfigError, the file untouched: unknown rule or key, a value that does not fit, a home that would not load.
    """
    before = read_bytes(path)
    change = _changed(path, before, rule, values)
    fits(change.home)
    if change.content != before:
        replace_file(OP, path, before, change.content)
    return change


def _keys_shown(home: Home, rule: str) -> dict[str, Shown]:
    table = getattr(home.rules, "yield_" if rule == "yield" else rule)
    shown = {}
    for name, info in TABLES[rule].model_fields.items():
        value = getattr(table, _NEXT_TO.get(name, name)) if table is not None else None
        shown[info.alias or name] = Shown(_plain(value), table is not None and name in table.model_fields_set)
    return shown


def _plain(value: Any) -> Any:
    match value:
        case Decimal():
            return float(value)
        case float() if value.is_integer():
            return int(value)
        case date():
            return value.isoformat()
        case BaseModel():
            return {key: _plain(getattr(value, name)) for name, key in _named(type(value))}
        case tuple():
            return [_plain(item) for item in value]
        case _:
            return value


def _named(table: type[BaseModel]) -> list[tuple[str, str]]:
    return [(name, info.alias or name) for name, info in table.model_fields.items()]


def _changed(path: Path, before: bytes, rule: str, values: Mapping[str, str]) -> Change:
    old = parse(before, path)
    table = TABLES.get(rule)
    if table is None:
        raise _refused(path, f"rules.{rule}", say("a known rule"), f'"{rule}"', close(rule, list(TABLES)))
    found = [
        problem(f"rules.{rule}.{key}", say("a known key"), f'"{key}"', path.name, close(key, keys_of(table)))
        for key in values
        if key not in keys_of(table)
    ]
    if found:
        raise ConfigError(path.name, found)
    wanted = {key: _parsed(path, rule, key, text.strip()) for key, text in values.items()}
    try:
        content = rewritten(before.decode("utf-8"), rule, wanted).encode("utf-8")
    except ValueError:
        raise _refused(
            path,
            f"rules.{rule}",
            say("a table [{key}]", key=f"rules.{rule}"),
            say("a layout that cannot be changed here"),
            say("edit it by hand"),
        ) from None
    new = parse(content, path)
    was, now = _keys_shown(old, rule), _keys_shown(new, rule)
    keys = tuple(KeyChange(key, was[key].value, now[key].value) for key in now if was[key].value != now[key].value)
    return Change(rule, keys, new, content)


def _parsed(path: Path, rule: str, key: str, text: str) -> Any:
    """A person's text as the value of the key's type; None to take the key out. What fits no type stays text, which
    validation then refuses in its own words."""
    info = field_of(TABLES[rule], key)
    if not text or info is None:
        return None
    if TABLES[rule] is Heaters and key == "prefer":
        return [name.strip() for name in text.split(",") if name.strip()]
    if TABLES[rule] is Away and key == "periods":
        return [_absence(path, part.strip()) for part in text.split(",")]
    if TABLES[rule] is Alternate and key == "from":
        with contextlib.suppress(ValueError):
            return date.fromisoformat(text)
        return text
    if info.annotation is bool:
        return {"true": True, "on": True, "yes": True, "false": False, "off": False, "no": False}.get(
            text.lower(), text
        )
    if info.annotation is str:
        return text
    try:
        number = Decimal(text) if text.isascii() and len(text) <= 40 else None
    except DecimalException:
        number = None
    if number is None or not number.is_finite():
        return text
    # Its exponent is looked at first: arithmetic on a decimal beyond the context's range raises.
    return int(number) if number.adjusted() < 15 and number == number.to_integral_value() else number


def _absence(path: Path, text: str) -> dict[str, Any]:
    start, slash, end = text.partition("/")
    try:
        if not slash:
            raise ValueError("no end")
        return {"from": _when(start.strip()), "to": _when(end.strip())}
    except ValueError:
        expected = say("FROM/TO, several with commas, as 2026-08-01/2026-08-15")
        raise _refused(path, "rules.away.periods", expected, f'"{text[:40]}"') from None


def _when(text: str) -> date:
    return date.fromisoformat(text) if len(text) <= 10 else datetime.fromisoformat(text)


def _refused(path: Path, key: str, expected: str, got: str, hint: str = "") -> ConfigError:
    return ConfigError(path.name, [problem(key, expected, got, path.name, hint)])
