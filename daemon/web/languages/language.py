"""A language of the page: its catalog, its figures and its dates.

Texts stand in the code in English (`rules.model.wording`) and in the page's templates; a language's catalogs hold what
is said instead. Babel is imported when somebody asks for another language, and not before: it is large.
"""

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from gettext import GNUTranslations, NullTranslations
from importlib.resources import files
from io import BytesIO
from typing import TYPE_CHECKING

from daemon.web.languages.recall import recaller
from rules.model.wording import NO_SKELETONS, Day, Fitting, Number, Sentence, Stored, Text, as_sentence, fitting

if TYPE_CHECKING:
    from babel.messages.catalog import Catalog

ENGLISH = "en"
CODES = (ENGLISH, "de")
"""The languages that the page speaks, ISO 639-1."""
CATALOGS = ("sentences", "page")
"""What a language's texts are kept in: the sentences of the rules and the books, and the page's own."""
_SEPARATOR = re.compile(r"(?<=\d)[.,](?=\d)")
_PERCENT = re.compile(r"(?<=\d)%")
_QUALITY = re.compile(r"q=([01](?:\.\d{0,3})?)")


@dataclass(frozen=True, slots=True, eq=False)
class Language:
    """code: ISO 639-1; translations: of the texts; separators: what stands for English's group and decimal separators;
    percent: the sign with what stands before it; day: writes a day by its CLDR skeleton; recall: finds the parts of an
    English sentence that was kept without them."""

    code: str
    translations: NullTranslations
    separators: Mapping[str, str]
    percent: str
    day: Callable[[Day], str]
    recall: Callable[[str], str]

    def say(self, value: object) -> object:
        """A text in this language; anything else as it is."""
        return self.text(value) if isinstance(value, str) else value

    def text(self, text: str) -> str:
        """A text in this language. What has no parts, a name or a message from elsewhere, stays as it is."""
        match text:
            case Text():
                return self._template(text).format_map({name: self.text(part) for name, part in text.values.items()})
            case Sentence():
                return as_sentence(self.text(text.of))
            case Fitting():
                return fitting(map(self.text, text.of), text.room)
            case Number():
                text = _SEPARATOR.sub(lambda found: self.separators[found[0]], text)
                return _PERCENT.sub(self.percent, text)
            case Day():
                return self.day(text)
            case Stored():
                return self.text(self.recall(str(text)))
        return text

    def _template(self, text: Text) -> str:
        if text.plural is not None and text.many is not None:
            return self.translations.ngettext(text.template, text.plural, text.many)
        return self.translations.gettext(text.template) if text.template else ""


@cache
def language(code: str) -> Language:
    """A language by its code. Raises KeyError for one that the page does not speak."""
    if code == ENGLISH:
        return Language(ENGLISH, NullTranslations(), {",": ",", ".": "."}, "%", str, str)
    if code not in CODES:
        raise KeyError(code)
    from babel import Locale
    from babel.dates import format_date, format_skeleton

    locale = Locale.parse(code)
    latin = locale.number_symbols["latn"]

    def day(text: Day) -> str:
        if text.form in NO_SKELETONS:
            return format_date(text.day, text.form, locale=locale)
        return str(format_skeleton(text.form, text.day, locale=locale))

    catalogs = [_catalog(code, name) for name in CATALOGS]
    return Language(
        code,
        _translations(catalogs),
        {",": latin["group"], ".": latin["decimal"]},
        locale.percent_formats[None].pattern.rpartition("0")[2],
        day,
        recaller(_templates(catalogs[0])),
    )


def preferred(header: str) -> str:
    """The code of the language that a reader would rather have. header: Accept-Language (RFC 9110, 12.5.4)."""
    wanted: list[tuple[float, str]] = []
    for part in header[:1000].split(","):
        tag, _, parameter = part.strip().partition(";")
        found = _QUALITY.fullmatch(parameter.strip())
        quality = 1.0 if not parameter else float(found[1]) if found else 0.0
        if quality > 0:
            wanted.append((quality, tag.partition("-")[0].lower()))
    wanted.sort(key=lambda one: -one[0])
    return next((code for _, code in wanted if code in CODES), ENGLISH)


def _catalog(code: str, name: str) -> "Catalog":
    from babel.messages.pofile import read_po

    with (files(__package__) / code / f"{name}.po").open("rb") as file:
        return read_po(file, locale=code)


def _templates(catalog: "Catalog") -> Iterator[tuple[str, str | None]]:
    """Each message's template and that of its plural."""
    for message in catalog:
        if isinstance(message.id, str):
            yield message.id, None
        else:
            yield message.id[0], message.id[1]


def _translations(catalogs: "Iterable[Catalog]") -> NullTranslations:
    """All of them as one, a later catalog before the earlier."""
    from babel.messages.mofile import write_mo

    last: NullTranslations = NullTranslations()
    for catalog in catalogs:
        compiled = BytesIO()
        write_mo(compiled, catalog)
        compiled.seek(0)
        translations = GNUTranslations(compiled)
        translations.add_fallback(last)
        last = translations
    return last
