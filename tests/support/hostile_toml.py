"""Hostile home files: keys of a valid one removed, doubled, retyped, replaced, at all depths.

They are written by a writer of their own, for a TOML library would not write what a person may.
"""

import copy
import json
from collections.abc import Iterator
from random import Random
from typing import Any

Path = tuple[str | int, ...]


class Raw(str):
    """TOML text for a value, valid or not."""


VALUES: tuple[Any, ...] = (
    *(0, -1, 1, 2, 5, 60, 95, 100, 101, 1e-9, 0.5, 2**63, -(2**63), 10**30, 10**400, True, False),
    *("", " ", "a", "x" * 300),
    *("95", "true", "none", "02:00", "24:00", "25:99", "2026-06-01", "Europe/Dublin", "../../etc/passwd", "a/+/b", "#"),
    *("/a~2", "/" * 5000, "~" * 900, "/" + "a~0" * 400, "€", "\N{BYTE ORDER MARK}", "\x00", "\u2028", "next night"),
    *("gate", "modulated", "surplus", "import", "export", "grid", "EUR", "eur", "http://h", "http://u:p@h", "A+"),
    *([], [1], [[]], [[[[]]]], {}, {"a": 1}, {"": {"": 1}}, [{}], [{"from": 1}], ["mon", "mon"], {"kind": "gate"}),
    *map(Raw, ("nan", "inf", "-inf", "1e999", "1e-999999", "1e999999999", "1_000", "0x7fffffffffffffff", "-0.0")),
    *map(Raw, ("9999-12-31", "0001-01-01", "2026-02-30", "9999-12-31T23:59:59.999999", "0001-01-01T00:00:00")),
    *map(Raw, ("2026-06-01T12:00:00Z", "0001-01-01T00:00:00+23:59", "23:59:59", "24:00:00", "1979-05-27 07:32:00")),
    *map(Raw, ("9" * 4400, "0." + "9" * 4000, "''", "'''\n'''", '"\\ud800"', '"\\u0000"', "", "{", "[1,]", "{a=1,}")),
    *map(Raw, ("0.0000000001", "123456789.123456789", "1e15", "-1e12", "99999.999999999", "[" * 90 + "]" * 90)),
)
NAMES = (
    *("", "a", "x" * 90, "über", "a.b", 'a"b', "main", "lower_lower", "diverted_w_main", "grid_w"),
    *("tank_level_pct", "_", "$"),
)


def paths(value: Any, at: Path = ()) -> Iterator[Path]:
    """Every place in a document, the outermost first."""
    items: Any = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in items:
        yield (*at, key)
        yield from paths(inner, (*at, key))


def broken(document: dict[str, Any], grown: dict[str, list[Any]], dice: Random) -> dict[str, Any]:
    """The document after one to four changes. grown: by key of the schema, values it may well have there."""
    document = copy.deepcopy(document)
    gentle = dice.random() < 0.4  # else few would load, and few would be lived in
    for _ in range(dice.choice((1, 1, 1, 2, 3, 4))):
        places = [place for place in paths(document) if not gentle or grown.get(str(place[-1]))]
        if not places:
            break
        at = dice.choice(places)
        holder: Any = document
        for part in at[:-1]:
            holder = holder[part]
        key = at[-1]
        match 6 if gentle else dice.randrange(10):
            case 0:
                del holder[key]
            case 1 if isinstance(holder, dict):
                holder[dice.choice(NAMES)] = holder.pop(key)
            case 2 if isinstance(holder, dict):
                holder[dice.choice((*NAMES, *grown))] = copy.deepcopy(dice.choice((holder[key], *VALUES)))
            case 3 if isinstance(holder, dict):
                more = dice.choice(tuple(grown))
                holder[more] = copy.deepcopy(dice.choice(grown[more] or VALUES))
            case 4:
                other: Any = document
                for part in dice.choice(places):
                    other = other[part] if isinstance(other, dict) else other[int(part)]
                holder[key] = copy.deepcopy(other)
            case 5 if isinstance(holder, list):
                holder.insert(0, copy.deepcopy(holder[int(key)]))
            case 6 if isinstance(key, str) and grown.get(key):
                holder[key] = copy.deepcopy(dice.choice(grown[key]))
            case _:
                holder[key] = copy.deepcopy(dice.choice(VALUES))
    return document


def written(value: Any) -> str:
    """A document as TOML; a key may come out in any of the ways a person writes it."""
    return "".join(f"{_key(key)} = {_value(inner)}\n" for key, inner in value.items())


def _key(key: str) -> str:
    bare = key and key.isascii() and key.replace("_", "").isalnum()
    return key if bare else json.dumps(key)


def _value(value: Any) -> str:
    match value:
        case Raw():
            return str(value)
        case bool():
            return "true" if value else "false"
        case str():
            return json.dumps(value).replace("\x7f", "\\u007f")
        case dict():
            return "{" + ", ".join(f"{_key(key)} = {_value(inner)}" for key, inner in value.items()) + "}"
        case list() | tuple():
            return "[" + ", ".join(_value(inner) for inner in value) + "]"
        case int() if abs(value) > 10**4000:
            return "9" * 4001
        case _:
            return str(value)
