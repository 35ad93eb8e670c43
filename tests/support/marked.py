"""What of a text stays English to a reader of another language: the words that stand in no template."""

import re

from tests.support.marked_pages import MARKED

_IN_MARKS = re.compile(r"⟦[^⟦⟧]*⟧")
_WORD = re.compile(r"[^\W\d_]{2,}")
UNITS = frozenset(("kWh", "Wh", "kg", "min", "EUR", "GBP"))


def unmarked(text: str, *names: str) -> list[str]:
    """Those words. names: signals, heaters and keys, which are the same in every language."""
    said = _IN_MARKS.sub(" ", MARKED.text(text))
    for name in sorted(names, key=len, reverse=True):
        said = said.replace(name, "")
    return [word for word in _WORD.findall(said) if word not in UNITS]
