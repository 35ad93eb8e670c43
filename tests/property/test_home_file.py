"""Whatever a home file holds, it loads or is refused in words: never a traceback."""

import contextlib
import tomllib
from pathlib import Path
from typing import Any

import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.config.cautions import cautions
from daemon.config.edit import rules_shown
from daemon.config.load import ConfigError, parse
from daemon.config.schema import schema
from tests.support.homes import EXAMPLE, TWO_HEATERS

PATH = Path("home.toml")
VALUES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(10**30), 10**30),
    st.floats(),
    st.text(max_size=12),
    st.dates(),
    st.datetimes(),
    st.times(),
    st.sampled_from(
        ["gate", "modulated", "next night", "00:00", "import", "/a~2", "a/#", "", "http://x@y", "nan", "2"]
    ),
    st.lists(st.integers(-5, 5000), max_size=3),
    st.dictionaries(st.sampled_from(["from", "to", "name", "kind", "price", "x"]), st.integers(0, 9), max_size=3),
)
KEYS = sorted(
    {key for table in schema()["$defs"].values() for key in table["properties"]} | set(schema()["properties"])
)


def refused_in_words(content: bytes) -> bool:
    """Load; True if it was refused, with at least one whole sentence."""
    found = []
    try:
        home = parse(content, PATH)
    except ConfigError as wrong:
        found = wrong.problems
    else:
        cautions(home)
        rules_shown(home)
        return False
    assert found
    for problem in found:
        assert "expected " in problem.cause
        assert "\n" not in str(problem)
    return True


@settings(deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes(content: bytes) -> None:
    assert refused_in_words(content)


@settings(deadline=None)
@given(st.text(max_size=300))
def test_any_text(text: str) -> None:
    assert refused_in_words(text.encode("utf-8", "surrogatepass"))


@settings(deadline=None)
@given(st.data())
def test_whole_homes_with_bytes_changed(data: st.DataObject) -> None:
    content = bytearray(data.draw(st.sampled_from([EXAMPLE.read_bytes(), TWO_HEATERS.encode()])))
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(content) - 1))
        content[at : at + data.draw(st.integers(0, 4))] = data.draw(st.binary(max_size=4))
    refused_in_words(bytes(content))


@settings(deadline=None)
@given(st.data())
def test_whole_homes_with_keys_put_in_taken_out_and_given_other_values(data: st.DataObject) -> None:
    home: Any = tomllib.loads(data.draw(st.sampled_from([EXAMPLE.read_text(), TWO_HEATERS])))
    for _ in range(data.draw(st.integers(1, 4))):
        node = home
        while True:
            places = list(node) if isinstance(node, dict) else list(range(len(node)))
            place = data.draw(st.sampled_from([*places, *KEYS[::9]] if isinstance(node, dict) else places or [0]))
            inner = node.get(place) if isinstance(node, dict) else (node[place] if places else None)
            if isinstance(inner, dict | list) and inner and data.draw(st.booleans()):
                node = inner
                continue
            break
        value = data.draw(VALUES)
        if isinstance(node, dict):
            node.pop(place, None)
            if value is not None:
                node[data.draw(st.sampled_from([place, *KEYS])) if data.draw(st.booleans()) else place] = value
        elif places and value is not None:
            node[place] = value
    with contextlib.suppress(tomlkit.exceptions.TOMLKitError, UnicodeEncodeError):
        refused_in_words(tomlkit.dumps(home).encode())
