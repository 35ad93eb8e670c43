"""Where a payload has numbers, and where its own time. Pure."""

import contextlib
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass

from daemon.inputs.instants import instant
from daemon.inputs.json_pointer import resolve, write_pointer
from daemon.setup.vocabulary import TIMES, words_of

_DEEPEST = 6
_MOST_MEMBERS = 100
_HALF = re.compile("[\ud800-\udfff]")


@dataclass(frozen=True, slots=True)
class Member:
    """A part of a payload that may be a number: its pointer ("" is the whole), and that of the payload's own time."""

    pointer: str
    time_pointer: str | None


def members(payload: bytes) -> Iterator[Member]:
    """The members of a JSON object, or the payload itself where it is none."""
    try:
        document = json.loads(payload)
    except (ValueError, RecursionError):
        yield Member("", None)
        return
    if not isinstance(document, dict):
        yield Member("", None)
        return
    leaves = [leaf for leaf, _ in zip(_leaves(document, (), 0), range(_MOST_MEMBERS), strict=False)]
    times = [path for path, value in leaves if words_of(path[-1])[-1:] and words_of(path[-1])[-1] in TIMES]
    stamps = [path for path in times if _is_instant(dict(leaves)[path])]
    time_pointer = write_pointer(stamps[0]) if stamps else None
    for path, value in leaves:
        if path not in stamps and not isinstance(value, bool) and isinstance(value, int | float | str):
            yield Member(write_pointer(path), time_pointer)


def stands_in_text(payload: bytes, path: tuple[str, ...]) -> bool:
    """Whether a unit stands behind the number that a pointer's tokens lead to."""
    text: object = payload.decode("utf-8", "replace")
    with contextlib.suppress(ValueError, RecursionError, LookupError):
        text = resolve(json.loads(payload), path)
    return isinstance(text, str) and re.search(r"[0-9]\s*[^\W\d_]|[%°]", text) is not None


def _leaves(document: object, path: tuple[str, ...], depth: int) -> Iterator[tuple[tuple[str, ...], object]]:
    if depth > _DEEPEST:
        return
    if isinstance(document, dict):
        for name, value in document.items():
            if _HALF.search(name):  # JSON can carry half a character, a home file cannot
                continue
            yield from _leaves(value, (*path, name), depth + 1)
    elif isinstance(document, list):
        for index, value in enumerate(document):
            yield from _leaves(value, (*path, str(index)), depth + 1)
    elif path:
        yield path, document


def _is_instant(value: object) -> bool:
    try:
        instant(value)
    except ValueError:
        return False
    return True
