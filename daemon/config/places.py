"""Where an error is: from a validator's location to the key as a person writes it, and to the model behind it."""

import json
import types
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

_LABELS = ("name", "source", "from")  # what tells the items of a list apart, for people
_LONGEST_KEY = 60


@dataclass(frozen=True, slots=True)
class Place:
    """key: dotted, as in the file; table: the model the last part belongs to; field: the last named part;
    kinds: the kinds to choose from, where a table can be of several.
    """

    key: str
    table: type[BaseModel] | None
    field: str
    kinds: tuple[str, ...]


def locate(root: type[BaseModel], location: Sequence[int | str], raw: object) -> Place:
    """Follow a location from the root through the models and through what was read."""
    node: Any = root
    owner: type[BaseModel] | None = None
    key, field, value = "", "", raw
    for part in location:
        if part == "[key]":
            break
        node = _bare(node)
        if (kinds := _kinds(node)) and part in kinds:
            node = kinds[str(part)]
            continue
        owner = node if _is_model(node) else None
        if owner is not None:
            info = field_of(owner, str(part))
            node = info.annotation if info is not None else None
        else:
            node = next((inner for inner in reversed(get_args(node)) if inner is not Ellipsis), None)
        if isinstance(part, int):
            key += item_label(value, part)
        else:
            key, field = joined(key, part), part
        value = _member(value, part)
    return Place(key, owner, field, tuple(_kinds(_bare(node))))


def field_of(table: type[BaseModel], key: str) -> FieldInfo | None:
    """The field a key of the file stands for."""
    return next((info for name, info in table.model_fields.items() if (info.alias or name) == key), None)


def keys_of(table: type[BaseModel]) -> list[str]:
    """The keys a table may have, as the file writes them."""
    return [info.alias or name for name, info in table.model_fields.items()]


def joined(key: str, part: str) -> str:
    """A dotted key; a part that TOML would quote is quoted."""
    bare = part.isascii() and part.replace("_", "").replace("-", "").isalnum()
    text = part if bare and len(part) <= _LONGEST_KEY else json.dumps(part[:_LONGEST_KEY], ensure_ascii=False)
    return f"{key}.{text}" if key else text


def item_label(items: object, index: int) -> str:
    """An item of a list by its name, source or first day where that tells it apart; else by its number from 1."""
    if isinstance(items, list | tuple) and index < len(items):
        for label in _LABELS:
            named = [_labelled(item, label) for item in items]
            if named[index] is not None and named.count(named[index]) == 1:
                return f"[{named[index]}]"
    return f"[#{index + 1}]"


def _labelled(item: object, label: str) -> str | None:
    value = item.get(label) if isinstance(item, Mapping) else None
    if isinstance(value, date):
        return value.isoformat()
    return value if isinstance(value, str) and value.isprintable() and 0 < len(value) <= _LONGEST_KEY else None


def _bare(node: Any) -> Any:
    """A type without Annotated and without the None of an optional one."""
    while True:
        if get_origin(node) is Annotated:
            node = get_args(node)[0]
        elif get_origin(node) in (Union, types.UnionType):
            inner = [arg for arg in get_args(node) if arg is not type(None)]
            if len(inner) > 1:
                return node
            node = inner[0]
        else:
            return node


def _is_model(node: Any) -> bool:
    return isinstance(node, type) and issubclass(node, BaseModel)


def _kinds(node: Any) -> dict[str, type[BaseModel]]:
    """The models a table can be, by its `kind`."""
    if get_origin(node) not in (Union, types.UnionType):
        return {}
    return {
        get_args(member.model_fields["kind"].annotation)[0]: member for member in get_args(node) if _is_model(member)
    }


def _member(value: object, part: int | str) -> object:
    if isinstance(value, Mapping):
        return value.get(part)
    if isinstance(value, list | tuple) and isinstance(part, int) and part < len(value):
        return value[part]
    return None
