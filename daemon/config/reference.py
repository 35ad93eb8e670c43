"""Every table and key of the home file as one document, made from the models.

`python -m daemon.cli.reference` writes it, with the other references, into deploy/docs/reference.
"""

import inspect
from collections.abc import Iterator, Mapping
from datetime import date, datetime
from decimal import Decimal
from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from daemon.config.model import Home
from daemon.config.schema import descriptions
from daemon.config.values import Within, Words
from daemon.config.wording import plain, unit_of

_PLAIN: Mapping[object, str] = {
    bool: "true or false",
    str: "text in quotes",
    int: "a whole number",
    float: "a number",
    Decimal: "a number",
    date: "a date",
    datetime: "a local date-time",
}
_HEAD = """# The home file: every table and key

Made by `python -m daemon.cli.reference` from the program's own models; do not edit it. `deploy/home.schema.json` says
the same to an editor, and `deploy/home.example.toml` shows the keys in use.

NAME stands for a name that you choose. `[[table]]` may stand several times, one for each entry. A default of "–" means
that there is none: what holds then is in the last column.
"""


def home_file_reference() -> str:
    """The document, as Markdown."""
    parts = [_HEAD, *(_section(model, places) for model, places in tables().items())]
    return "\n".join(parts)


def tables() -> dict[type[BaseModel], list[str]]:
    """Every model of the home file but the file itself, and the headings under which it may stand, in file order."""
    found: dict[type[BaseModel], list[str]] = {}
    for model, place in _walk(Home, ""):
        places = found.setdefault(model, [])
        if place not in places:
            places.append(place)
    return found


def _walk(model: type[BaseModel], path: str) -> Iterator[tuple[type[BaseModel], str]]:
    for name, info in model.model_fields.items():
        key = f"{path}.{info.alias or name}" if path else info.alias or name
        for inner, place, is_list in _inner_models(info.annotation, key, False):
            yield inner, f"[[{place}]]" if is_list else f"[{place}]"
            yield from _walk(inner, place)


def _inner_models(node: Any, path: str, is_list: bool) -> Iterator[tuple[type[BaseModel], str, bool]]:
    """The models that a type leads to, with their path and whether they stand in a list."""
    origin, arguments = get_origin(node), get_args(node)
    if isinstance(node, type) and issubclass(node, BaseModel):
        yield node, path, is_list
    elif origin is Annotated:
        yield from _inner_models(arguments[0], path, is_list)
    elif origin is dict:
        yield from _inner_models(arguments[1], f"{path}.NAME", is_list)
    elif origin is tuple:
        yield from _inner_models(arguments[0], path, True)
    elif origin in (Union, UnionType):
        for each in arguments:
            yield from _inner_models(each, path, is_list)


def _section(model: type[BaseModel], places: list[str]) -> str:
    kind = model.model_fields.get("kind")
    of_kind = f', kind = "{get_args(kind.annotation)[0]}"' if kind is not None else ""
    title = ", ".join(f"`{place}`" for place in places) + of_kind
    about = " ".join(inspect.cleandoc(model.__doc__ or "").split())
    meanings = descriptions(model)
    lines = [f"## {title}", "", about, "", "| key | what may stand there | default | meaning |", "|---|---|---|---|"]
    for name, info in model.model_fields.items():
        key = info.alias or name
        cells = (f"`{key}`", _expected(info, key), _default(info), " ".join(meanings[name].split()))
        lines.append(f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in cells)} |")
    return "\n".join([*lines, ""])


def _default(info: FieldInfo) -> str:
    if info.is_required():
        return "required"
    value = info.default
    match value:
        case None | ():
            return "–"
        case bool():
            return f"`{str(value).lower()}`"
        case int() | float() | Decimal():
            return f"`{plain(value)}`"
        case str():
            return f'`"{value}"`'
        case tuple():
            return f"`[{', '.join(_literal(each) for each in value)}]`"
        case _ if value is PydanticUndefined:
            return "–"
    raise TypeError(f"a default of a kind that this document does not know: {value!r}")


def _expected(info: FieldInfo, key: str) -> str:
    """What may stand at a key, in words."""
    marked = _by_marks(info.metadata, key, info.annotation is int)
    return marked or _of_type(info.annotation, key)


def _by_marks(marks: Any, key: str, whole: bool) -> str:
    for mark in marks:
        if isinstance(mark, Words):
            return mark.expected
        if isinstance(mark, Within):
            unit = unit_of(key)
            low = f"above {plain(mark.low)}" if mark.above else plain(mark.low)
            number = "whole number, " if whole else ""
            return f"{number}{low} to {plain(mark.high)}{' ' if unit else ''}{unit}"
    return ""


def _of_type(node: Any, key: str) -> str:
    origin, arguments = get_origin(node), get_args(node)
    if origin is Annotated:
        return _by_marks(arguments[1:], key, arguments[0] is int) or _of_type(arguments[0], key)
    if origin is Literal:
        return " or ".join(f"`{_literal(each)}`" for each in arguments)
    if origin is tuple:
        inner = _of_type(arguments[0], key)
        return "a list of tables, below" if inner == "a table, below" else f"a list of: {inner}"
    if origin is dict:
        inner = _of_type(arguments[1], key)
        return "tables, below" if list(_inner_models(node, "", False)) else f"a table of names, each {inner}"
    if origin in (Union, UnionType):
        words = dict.fromkeys(_of_type(each, key) for each in arguments if each is not type(None))
        return " or ".join(words)
    if isinstance(node, type) and issubclass(node, BaseModel):
        return "a table, below"
    return _PLAIN[node]


def _literal(value: object) -> str:
    return f'"{value}"' if isinstance(value, str) else str(value)
