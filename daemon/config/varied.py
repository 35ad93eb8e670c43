"""A home file with a few keys set otherwise, for a study: nothing is written."""

from collections.abc import Mapping
from copy import deepcopy
from datetime import date, time
from decimal import Decimal
from pathlib import Path
from typing import Any

from daemon.config.load import ConfigError, loads, made, read_bytes, toml
from daemon.config.model import Home
from daemon.config.wording import problem
from rules.model.wording import say

_LABELS = ("name", "source", "from")
_LOSS = ("loss_w", "label_class")
_STOP, _RESUME = "stop_at_pct", "resume_below_pct"


def varied(path: Path, values: Mapping[str, str]) -> Home:
    """The home with keys set. values: by dotted key, as TOML writes them; what is no TOML value is text.

    An item of a list is named by its number from 0 or by its name, source or first day, as in
    `tariffs.import.periods.0.bands.night.price`; the number may be left out where there is one item.
    Where a stop level is set at or below the file's resume level, that one moves along and keeps its distance; the
    tank's loss takes the place of its label class, and that of the loss.
    Raises ConfigError: a key or value that does not fit, a home that would not load.
    """
    raw = deepcopy(toml(read_bytes(path), path))
    full = dict(raw.get("rules", {}).get("full", {}))
    for key, text in values.items():
        _put(raw, key, _value(text), path)
    _keep_distance(raw, full, values)
    for key, other in (_LOSS, _LOSS[::-1]):
        if f"tank.{key}" in values and f"tank.{other}" not in values:
            raw["tank"].pop(other, None)
    return made(raw, path)


def plain_value(text: str) -> Any:
    """A value as `varied` reads it, as plain JSON data."""
    return _plain(_value(text))


def _plain(value: Any) -> Any:
    match value:
        case Decimal():
            return int(value) if value == value.to_integral_value() else float(value)
        case dict():
            return {key: _plain(inner) for key, inner in value.items()}
        case list():
            return [_plain(inner) for inner in value]
        case date() | time():
            return value.isoformat()
        case _:
            return value


def _keep_distance(raw: dict[str, Any], was: dict[str, Any], values: Mapping[str, str]) -> None:
    now = raw.get("rules", {}).get("full", {})
    if f"rules.full.{_STOP}" not in values or f"rules.full.{_RESUME}" in values or _RESUME not in was:
        return
    try:
        if now[_STOP] <= was[_RESUME]:
            now[_RESUME] = max(now[_STOP] - (was.get(_STOP, 95) - was[_RESUME]), 0)
    except TypeError:
        return  # no number: validation says so


def _value(text: str) -> Any:
    try:
        return loads(f"value = {text}")["value"]
    except (ValueError, RecursionError):
        return text


def _put(raw: dict[str, Any], key: str, value: Any, path: Path) -> None:
    parts = [part for part in key.replace("[", ".").replace("]", "").split(".") if part]
    if not parts:
        raise _refused(path, key or '""', say("a dotted key such as rules.full.stop_at_pct"), say("none"))
    place: Any = raw
    for number, part in enumerate(parts[:-1]):
        place = _step(place, part, parts[number:], key, path)
    place = _only(place, parts[-1])
    if isinstance(place, list):
        place[_place(place, parts[-1], key, path)] = value
    elif isinstance(place, dict):
        place[parts[-1]] = value
    else:
        raise _refused(path, key, say("a table before the last dot"), f"{place!r}")


def _step(place: Any, part: str, rest: list[str], key: str, path: Path) -> Any:
    place = _only(place, part)
    if isinstance(place, list):
        return place[_place(place, part, key, path)]
    if isinstance(place, dict):
        return place.setdefault(part, {})
    raise _refused(path, key, say("a table before {key}", key=".".join(rest)), f"{place!r}")


def _only(place: Any, part: str) -> Any:
    """The one item of a list, where the key does not say which."""
    if isinstance(place, list) and len(place) == 1 and not part.isdecimal() and part not in _names(place[0]):
        return place[0]
    return place


def _place(items: list[Any], part: str, key: str, path: Path) -> int:
    if part.isdecimal() and int(part) < len(items):
        return int(part)
    found = [number for number, item in enumerate(items) if part in _names(item)]
    if len(found) == 1:
        return found[0]
    known = ", ".join(next(iter(_names(item)), str(number)) for number, item in enumerate(items))
    raise _refused(
        path, key, say("one of the list's items by number from 0 or by name: {names}", names=known), f'"{part[:40]}"'
    )


def _names(item: Any) -> list[str]:
    if not isinstance(item, dict):
        return []
    labels = [item.get(label) for label in _LABELS]
    return [each.isoformat() if isinstance(each, date) else str(each) for each in labels if each is not None]


def _refused(path: Path, key: str, expected: str, got: str) -> ConfigError:
    return ConfigError(path.name, [problem(key, expected, got, path.name)])
