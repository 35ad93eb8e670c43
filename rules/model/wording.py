"""Texts that keep their parts, so that a page can say them in another language.

Each is a `str` in English and used as one; only who says it in another language looks at the parts. So what is glued
together with f-strings, `+` or `join` can no longer be translated: build it with `say`, `listed` or `joined`.
"""

import datetime
import re
from collections.abc import Iterable, Mapping
from functools import reduce
from typing import Any, Self


class Text(str):
    """A text with its values. template: English, with a place in braces for each; plural, many: the template for more
    than one, and how many there are; None where it doesn't matter."""

    __slots__ = ("many", "plural", "template", "values")
    template: str
    values: Mapping[str, str]
    plural: str | None
    many: int | None

    def __new__(
        cls, template: str, values: Mapping[str, str], plural: str | None = None, many: int | None = None
    ) -> Self:
        chosen = template if plural is None or many == 1 else plural
        self = super().__new__(cls, chosen.format_map(values))
        self.template, self.values, self.plural, self.many = template, values, plural, many
        return self

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (self.template, self.values, self.plural, self.many)


class Number(str):
    """A figure, with or without its unit, in English digits: "1,240.5 W"."""

    __slots__ = ()


NO_SKELETONS = ("long", "full", "LLL", "LLLL", "cccc")
"""CLDR's names for a date with its month in full, without and with the day of the week; a month alone, short and in
full; a day of the week alone."""


class Day(str):
    """A day as people write it. day: which; form: its CLDR skeleton, "MMMd" for "9 Jun", or one of NO_SKELETONS."""

    __slots__ = ("day", "form")
    day: datetime.date
    form: str

    def __new__(cls, english: str, day: datetime.date, form: str) -> Self:
        self = super().__new__(cls, english)
        self.day, self.form = day, form
        return self

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (str(self), self.day, self.form)


class Fitting(str):
    """The first of some texts that is short enough, "" if none is: which one that is goes by the language. of: the
    texts; room: the most characters."""

    __slots__ = ("of", "room")
    of: tuple[str, ...]
    room: float

    def __new__(cls, of: tuple[str, ...], room: float) -> Self:
        self = super().__new__(cls, fitting(of, room))
        self.of, self.room = of, room
        return self

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (self.of, self.room)


class Sentence(str):
    """A text with a capital first and a full stop last. of: the text."""

    __slots__ = ("of",)
    of: str

    def __new__(cls, of: str) -> Self:
        self = super().__new__(cls, as_sentence(of))
        self.of = of
        return self

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (self.of,)


class Stored(str):
    """An English sentence that was kept without its parts, as the ledger keeps it: a language finds them again as well
    as it can."""

    __slots__ = ()


def say(template: str, /, **values: object) -> str:
    """A `Text`. template: English, "tank {level}, full since {time}"; it is what the catalogs of translations are made
    from, so it stands here as one literal. values: by place; texts among them are translated too, names are not."""
    return Text(template, _texts(values))


def say_many(one: str, more: str, many: int, /, **values: object) -> str:
    """A `Text` that depends on how many there are, which stands at {n}: say_many("{n} row", "{n} rows", 3)."""
    return Text(one, {"n": Number(f"{many:,}"), **_texts(values)}, more, many)


def joined(parts: Iterable[str], between: str = ", ") -> str:
    """Parts one after the other; the empty ones are left out."""
    values = {f"part_{i}": part for i, part in enumerate(part for part in parts if part)}
    return Text(between.join(f"{{{name}}}" for name in values), values)


def listed(parts: Iterable[str]) -> str:
    """Things as people list them: "a", "a and b", "a, b and c"."""
    *first, last = parts
    return say("{things} and {last_thing}", things=joined(first), last_thing=last) if first else last


def fitting(texts: Iterable[str], room: float) -> str:
    """The first text of at most so many characters; "" if there is none."""
    return next((text for text in texts if len(text) <= room), "")


def with_and(parts: Iterable[str]) -> str:
    """The same with an "and" between each: "a and b and c"."""
    first, *others = parts
    return reduce(lambda said, part: say("{things} and {last_thing}", things=said, last_thing=part), others, first)


def as_sentence(text: str) -> str:
    """The words with a capital first and a full stop last."""
    text = text.strip()
    if not text:
        return ""
    text = text[0].upper() + text[1:]
    return text if re.search(r"[.!?…]$", text) else f"{text}."


def _texts(values: Mapping[str, object]) -> dict[str, str]:
    return {name: value if isinstance(value, str) else str(value) for name, value in values.items()}
