"""The parts of English sentences that were kept without them, as in the ledger: found by the catalogs' templates.

It is a guess, so only what was made by our own templates is to be asked of it. What no template fits stays as it is.
"""

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from functools import cache, lru_cache
from string import Formatter

from rules.model.formatting import DAYS, MONTHS
from rules.model.wording import Day, Number, Text, joined, say, with_and

LEAST_LETTERS = 4
"""A template with fewer letters of its own would fit nearly everything."""
LONGEST, MOST_JOINTS = 800, 20
"""No sentence of ours has more; the ways in which a text may have been joined grow with the square of its joints."""
_NUMBER = re.compile(r"[+−-]?\d[\d,]*(?:\.\d+)?(?: ?(?:%|°C|k?Wh?|kg|L|s|min|h|[A-Z]{3}))?")
_DATED = re.compile(rf"(\d\d:\d\d) on ((?:{'|'.join(DAYS)}) (\d+) ({'|'.join(MONTHS)})(?: (\d{{4}}))?)")
_SIGNALS = re.compile(r"[a-z]+_[a-z_]+(?: and [a-z]+_[a-z_]+)+")
_CLOCKS = ("{time} tomorrow", "{time} yesterday")
_BETWEEN = ("; ", ": ", ", ")
"""What stands between parts that were joined."""
_BEFORE_FIGURE = re.compile(rf"(.+) ({_NUMBER.pattern})", re.DOTALL)
_AFTER_SIGNAL = re.compile(r"([a-z]+_[a-z_]+) (.+)", re.DOTALL)
_A_LEAP_YEAR = 2024


@dataclass(frozen=True, slots=True)
class _Form:
    """A template to be found again. literals: its own words, the longest first, as it fits the fewest texts; regex: all
    of it; one, more: the message's template and its plural (None: it has none); many: how many it is about, where it
    does not say so itself."""

    literals: tuple[str, ...]
    regex: str
    one: str
    more: str | None
    many: int

    @property
    def letters(self) -> int:
        return sum(map(_letters, self.literals))

    @property
    def pattern(self) -> re.Pattern[str]:
        return _compiled(self.regex)


@cache
def _compiled(regex: str) -> re.Pattern[str]:
    return re.compile(regex, re.DOTALL)


def recaller(messages: Iterable[tuple[str, str | None]]) -> Callable[[str], str]:
    """What finds the parts of a sentence. messages: each a template and that of its plural (None: it has none)."""
    whole: dict[str, Text] = {}
    forms: list[_Form] = []
    for one, more in messages:
        for template in (one,) if more is None else (one, more):
            form = _form(template, one, more)
            if "{" not in template:
                whole[template] = Text(template, {})
            elif form.letters >= LEAST_LETTERS or more is not None:
                forms.append(form)
    forms.sort(key=lambda form: -form.letters)

    @lru_cache(maxsize=8192)
    def parsed(text: str) -> tuple[int, str]:
        """How many letters no template accounts for, and the text."""
        if text in whole:
            return 0, whole[text]
        if _NUMBER.fullmatch(text):
            return 0, Number(text)
        if dated := _DATED.fullmatch(text):
            return 0, say("{time} on {day}", time=dated[1], day=_day(*dated.groups()[1:]))
        if _SIGNALS.fullmatch(text):
            return 0, with_and(text.split(" and "))
        best: tuple[int, str] = _letters(text), text
        for left, between, right in _parts(text):
            (before, start), (after, end) = parsed(left), parsed(right)
            if before + after < best[0]:
                best = before + after, joined((start, end), between)
        for form in forms:
            if not best[0]:
                break
            if form.literals[0] not in text or not all(literal in text for literal in form.literals):
                continue
            if found := form.pattern.fullmatch(text):
                values = {name: parsed(value) for name, value in found.groupdict().items()}
                unknown = sum(letters for letters, _ in values.values())
                if unknown < best[0]:
                    best = unknown, _text(form, {name: value for name, (_, value) in values.items()})
        return best

    def recall(text: str) -> str:
        joints = sum(text.count(between) for between in _BETWEEN)
        return parsed(text)[1] if len(text) <= LONGEST and joints <= MOST_JOINTS else text

    return recall


def _letters(text: str) -> int:
    return sum(map(str.isalpha, text))


def _parts(text: str) -> Iterator[tuple[str, str, str]]:
    """The ways in which it may have been joined."""
    for between in _BETWEEN:
        at = text.find(between)
        while at >= 0:
            yield text[:at], between, text[at + len(between) :]
            at = text.find(between, at + 1)
    for form in (_AFTER_SIGNAL, _BEFORE_FIGURE):
        if found := form.fullmatch(text):
            yield found[1], " ", found[2]


def _form(template: str, one: str, more: str | None) -> _Form:
    literals: list[str] = []
    pattern, seen = "", set()
    for literal, field, _, _ in Formatter().parse(template):
        literals.append(literal)
        pattern += re.escape(literal)
        if field is None:
            continue
        kind = r"[\d,]+" if more is not None and field == "n" else r"\d\d:\d\d" if template in _CLOCKS else ".+?"
        pattern += f"(?P={field})" if field in seen else f"(?P<{field}>{kind})"
        seen.add(field)
    return _Form(tuple(sorted(literals, key=len, reverse=True)), pattern, one, more, 1 if template == one else 2)


def _text(form: _Form, values: dict[str, str]) -> Text:
    if form.more is None:
        return Text(form.one, values)
    return Text(form.one, values, form.more, int(values["n"].replace(",", "")) if "n" in values else form.many)


def _day(text: str, day: str, month: str, year: str | None) -> Day:
    """A day as `clock` names it."""
    of_year = int(year) if year else _year_of(text[:3], int(day), 1 + MONTHS.index(month))
    return Day(text, date(of_year, 1 + MONTHS.index(month), int(day)), "yMMMEd" if year else "MMMEd")


def _year_of(weekday: str, day: int, month: int) -> int:
    """A year in which the day is that weekday: it is not named, so that any will do."""
    years = (_A_LEAP_YEAR + step for step in range(28))
    fits = (year for year in years if not (month == 2 and day == 29 and year % 4))
    return next((year for year in fits if DAYS[date(year, month, day).weekday()] == weekday), _A_LEAP_YEAR)
