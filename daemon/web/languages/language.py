"""A language of the page: its catalog, its figures and its dates.

Texts stand in the code in English (`rules.model.wording`) and in the page's templates; a language's catalogs hold what
is said instead. Babel is imported when somebody asks for another language, and not before: it is large.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from gettext import GNUTranslations, NullTranslations
from importlib.resources import files
from io import BytesIO

from rules.model.wording import NO_SKELETONS, Day, Fitting, Number, Sentence, Text, as_sentence, fitting

ENGLISH = "en"
CODES = (ENGLISH, "de")
"""The languages that the page speaks, ISO 639-1."""
CATALOGS = ("sentences", "page")
"""What a language's texts are kept in: the sentences of the rules and the books, and the page's own."""
_SEPARATOR = re.compile(r"(?<=\d)[.,](?=\d)")
_QUALITY = re.compile(r"q=([01](?:\.\d{0,3})?)")


@dataclass(frozen=True, slots=True, eq=False)
class Language:
    """code: ISO 639-1; translations: of the texts; separators: what stands for English's group and decimal separators;
    day: writes a day by its CLDR skeleton."""

    code: str
    translations: NullTranslations
    separators: Mapping[str, str]
    day: Callable[[Day], str]

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
                return _SEPARATOR.sub(lambda found: self.separators[found[0]], text)
            case Day():
                return self.day(text)
        return text

    def _template(self, text: Text) -> str:
        if text.plural is not None and text.many is not None:
            return self.translations.ngettext(text.template, text.plural, text.many)
        return self.translations.gettext(text.template) if text.template else ""


@cache
def language(code: str) -> Language:
    """A language by its code. Raises KeyError for one that the page does not speak."""
    if code == ENGLISH:
        return Language(ENGLISH, NullTranslations(), {",": ",", ".": "."}, str)
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

    return Language(
        code,
        _translations(code),
        {",": latin["group"], ".": latin["decimal"]},
        day,
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


def _translations(code: str) -> NullTranslations:
    from babel.messages.mofile import write_mo
    from babel.messages.pofile import read_po

    last: NullTranslations = NullTranslations()
    for name in CATALOGS:
        with (files(__package__) / code / f"{name}.po").open("rb") as file:
            compiled = BytesIO()
            write_mo(compiled, read_po(file, locale=code))
        compiled.seek(0)
        translations = GNUTranslations(compiled)
        translations.add_fallback(last)
        last = translations
    return last
