"""A language for tests in which every letter of a template is a dot: the words that are left were in no template."""

import re
from gettext import NullTranslations

from daemon.web.languages.language import Language

_PLACE = re.compile(r"(\{\w+\})")
_LETTER = re.compile(r"[^\W\d_]")
_WORD = re.compile(r"[^\W\d_]{2,}")
UNITS = frozenset(("kWh", "Wh", "kg", "min", "EUR", "GBP"))


def dotted(template: str) -> str:
    """The template without its own words."""
    return "".join(part if _PLACE.fullmatch(part) else _LETTER.sub("·", part) for part in _PLACE.split(template))


class _Dots(NullTranslations):
    def gettext(self, message: str) -> str:
        return dotted(message)

    def ngettext(self, msgid1: str, msgid2: str, n: int) -> str:
        return dotted(msgid1 if n == 1 else msgid2)


DOTS = Language("dots", _Dots(), {",": ",", ".": "."}, "%", lambda day: "·", str)


def unmarked(text: str, *names: str) -> list[str]:
    """The words of a text that a reader of another language would see in English. names: signals, heaters and keys,
    which are the same in every language."""
    said = DOTS.text(text)
    for name in sorted(names, key=len, reverse=True):
        said = said.replace(name, "")
    return [word for word in _WORD.findall(said) if word not in UNITS]
