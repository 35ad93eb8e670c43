"""A language in which everything that is said stands in marks: what stands outside of them nobody can translate."""

import re
from collections.abc import Iterator
from gettext import NullTranslations
from html.parser import HTMLParser

from daemon.web.languages.language import Language

_PLACE = re.compile(r"(\{\w+\}|%\(\w+\)s)")
_MARKED = re.compile(r"⟦[^⟦⟧]*⟧")
_SPOKEN = ("aria-label", "title", "placeholder", "alt")
"""Attributes that people read or hear; and those named `data-` whose words the script or the style sheet shows."""
_SHOWN_LATER = re.compile(r"data-(show|hide|unheard|too-old|days?(-hours)?)")
_NOT_SPOKEN = ("code", "script", "style", "textarea")
"""Elements whose text is to be copied, or is none."""
_BETWEEN = "\x00"


class _Marks(NullTranslations):
    def gettext(self, message: str) -> str:
        return "⟦" + _PLACE.sub(r"⟧\1⟦", message) + "⟧"

    def ngettext(self, msgid1: str, msgid2: str, n: int) -> str:
        return self.gettext(msgid1 if n == 1 else msgid2)


MARKED = Language("xx", _Marks(), {",": ",", ".": "."}, "%", lambda day: f"⟦{day}⟧", str)


class _Spoken(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.attributes: list[str] = []
        self._open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in _NOT_SPOKEN:
            self._open.append(tag)
        self.attributes += [text or "" for name, text in attrs if name in _SPOKEN or _SHOWN_LATER.fullmatch(name)]

    def handle_endtag(self, tag: str) -> None:
        if self._open and self._open[-1] == tag:
            self._open.pop()

    def handle_data(self, data: str) -> None:
        if not self._open:
            self.texts.append(data)


def unmarked(html: str) -> Iterator[str]:
    """What a page says outside of the marks: in its texts and in the attributes that are read aloud."""
    parsed = _Spoken()
    parsed.feed(html)
    for said in (_BETWEEN.join(parsed.texts), *parsed.attributes):
        for rest in _MARKED.sub(" ", said.replace("\u00a0", " ")).split(_BETWEEN):
            if rest.strip():
                yield " ".join(rest.split())
