"""Brings a language's catalogs up to date with the texts in the code: python -m daemon.web.languages.extract

New texts come in without a translation, texts that are gone go. `tests/unit` refuses a catalog that is not up to date
or not complete. While it reads the sources, babel warns of f-strings: those are values, which no language translates; a
text itself may be none.
"""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_file
from babel.messages.pofile import read_po, write_po

from daemon.web.languages import home_file
from daemon.web.languages.language import CODES, ENGLISH

REPO = Path(__file__).parents[3]
SOURCES = {"sentences": ("rules", "accounting", "daemon"), "page": ("daemon/web/page",)}
"""Which folders' texts a catalog holds; a text that stands in several is the page's."""
KEYWORDS: Mapping[str, dict[str, Any]] = {
    ".py": {"say": None, "say_many": (1, 2)},
    ".html": {"_": None, "gettext": None, "ngettext": (1, 2)},
}
"""What a text is the argument of, by the ends of the files' names."""
_OPTIONS = {"trimmed": "true", "trim_blocks": "true", "lstrip_blocks": "true", "silent": "false"}

Message = str | tuple[str, ...]


def texts(folders: tuple[str, ...], but: tuple[str, ...] = ()) -> Iterator[tuple[str, Message]]:
    """Every text in some folders with its file. but: folders that are left out."""
    for folder in folders:
        for path in sorted((REPO / folder).rglob("*")):
            place = path.relative_to(REPO).as_posix()
            if path.suffix not in KEYWORDS or place.startswith(tuple(f"{one}/" for one in but)):
                continue
            method = "python" if path.suffix == ".py" else "jinja2.ext:babel_extract"
            options = {} if path.suffix == ".py" else _OPTIONS
            for _, message, _, _ in extract_from_file(method, path, KEYWORDS[path.suffix], (), options):
                yield place, message


def needed(name: str) -> Catalog:
    """A catalog of all texts, none of them translated."""
    catalog = Catalog(charset="utf-8")
    for place, message in texts(SOURCES[name], () if name == "page" else SOURCES["page"]):
        catalog.add(message, locations=[(place, 0)])
    for described in home_file.texts() if name == "page" else ():
        catalog.add(described, locations=[("daemon/config/rule_tables.py", 0)])
    return catalog


def path_of(code: str, name: str) -> Path:
    """Where a catalog is kept."""
    return Path(__file__).parent / code / f"{name}.po"


def read(code: str, name: str) -> Catalog:
    """A catalog as it is kept; an empty one where there is none yet."""
    path = path_of(code, name)
    catalog = Catalog(code, charset="utf-8")
    if path.exists():
        with path.open("rb") as file:
            catalog = read_po(file, locale=code)
    catalog.project, catalog.version, catalog.fuzzy = "brimful", "", False
    catalog.msgid_bugs_address = catalog.last_translator = ""
    catalog.header_comment = f"# What the page of brimful says in another language: {code}."
    return catalog


def main() -> None:
    for code in CODES:
        if code == ENGLISH:
            continue
        for name in SOURCES:
            write(code, name, brought_up_to_date(read(code, name), needed(name)))


def brought_up_to_date(catalog: Catalog, wanted: Catalog) -> Catalog:
    """The catalog with the texts that are wanted, and no others."""
    since = catalog.creation_date  # of the first time: another date at each run would be a change of its own
    catalog.update(wanted, no_fuzzy_matching=True)
    catalog.creation_date = since
    catalog.obsolete.clear()
    return catalog


def write(code: str, name: str, catalog: Catalog) -> None:
    """Keep a catalog, in a form that depends on its texts alone."""
    path = path_of(code, name)
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as file:
        write_po(file, catalog, width=120, omit_header=False, sort_output=True, include_lineno=False)


if __name__ == "__main__":
    main()
