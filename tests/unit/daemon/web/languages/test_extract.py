"""The catalogs have every text of the code and no other, each with its translation, and no place of it is lost."""

import ast
import re

import pytest
from babel.messages.catalog import Message

from daemon.web.languages.extract import REPO, SOURCES, needed, read
from daemon.web.languages.language import CATALOGS, CODES, ENGLISH

TRANSLATED = [(code, name) for code in CODES if code != ENGLISH for name in CATALOGS]
_PLACE = re.compile(r"\{(\w+)\}|%\((\w+)\)s|(</?[a-z][^<>]*>)")


ALL = {name: needed(name) for name in CATALOGS}


def places(text: str) -> set[str]:
    return {"".join(found) for found in _PLACE.findall(text)}


def texts(message: Message) -> list[tuple[str, str]]:
    """A message's texts with their translations."""
    if isinstance(message.id, str):
        return [(message.id, str(message.string))]
    return list(zip(message.id, message.string, strict=True))


def test_the_catalogs_are_those_that_are_extracted() -> None:
    assert set(CATALOGS) == set(SOURCES)


@pytest.mark.parametrize(("code", "name"), TRANSLATED)
def test_a_catalog_has_what_the_code_says_and_all_of_it_translated(code: str, name: str) -> None:
    wanted = {message.id for message in ALL[name] if message.id}
    kept = [message for message in read(code, name) if message.id]
    assert len(wanted) > 100
    assert {message.id for message in kept} == wanted, "run: python -m daemon.web.languages.extract"
    assert not [message.id for message in kept if message.fuzzy]
    assert not [one for message in kept for one, said in texts(message) if not said.strip()]


@pytest.mark.parametrize(("code", "name"), TRANSLATED)
def test_a_translation_has_the_places_of_its_text(code: str, name: str) -> None:
    wrong = []
    for message in read(code, name):
        for one, said in texts(message) if message.id else ():
            lost = places(one) ^ places(said)
            if lost - {"n", "num"}:
                wrong.append((one, said))
    assert not wrong


def test_every_text_that_is_said_stands_in_a_catalog() -> None:
    """Looked for in another way than the catalogs are made: in the syntax of every module."""
    known = {message.id for name in CATALOGS for message in ALL[name]}
    lost, calls = [], 0
    for path in sorted(path for folder in SOURCES["sentences"] for path in (REPO / folder).rglob("*.py")):
        for call in ast.walk(ast.parse(path.read_text())):
            if not isinstance(call, ast.Call):
                continue
            count = {"say": 1, "say_many": 2}.get(getattr(call.func, "id", getattr(call.func, "attr", "")))
            texts = [one.value for one in call.args[:count] if isinstance(one, ast.Constant)] if count else []
            if texts and (texts[0] if count == 1 else tuple(texts)) not in known:
                lost.append((path.name, call.lineno, texts))
            calls += bool(texts)
    assert calls > 1000
    assert not lost
