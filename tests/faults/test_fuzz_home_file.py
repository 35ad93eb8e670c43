"""Hostile home files: each loads and can be lived in, or is refused by key and file in words, and soon."""

import re
import time
import tomllib
from collections import Counter
from pathlib import Path
from random import Random
from typing import Any

import pytest

import daemon.demo
from daemon.assembly.prepared_home import prepare
from daemon.config.cautions import cautions
from daemon.config.edit import rules_shown, set_rule
from daemon.config.load import ConfigError, load
from daemon.config.schema import schema
from rules.model.errors import BrimfulError
from tests.support import hostile, hostile_toml
from tests.support.fired_at import Fired
from tests.support.homes import EXAMPLE, TWO_HEATERS

DEMO = Path(daemon.demo.__file__).with_name("home.toml")
SLOWEST_S = 5.0
"""No file of this size takes long; a wall-clock bound far above any hiccup of a busy machine."""


def grown() -> dict[str, list[Any]]:
    """By key of the schema: values at its limits and just beyond, its choices, its default."""
    found: dict[str, list[Any]] = {}

    def take(node: Any) -> None:
        if not isinstance(node, dict):
            return
        for key, about in node.get("properties", {}).items():
            values = found.setdefault(key, [])
            for each in (about, *about.get("anyOf", ())):
                values += each.get("enum", [])
                values += [each[name] for name in ("default", "const") if each.get(name) is not None]
                for name, beyond in (("minimum", -1), ("maximum", 1), ("exclusiveMinimum", 0)):
                    if name in each:
                        values += [each[name], each[name] + beyond, float(each[name])]
                if "maxLength" in each:
                    values += ["x" * each["maxLength"], "x" * (each["maxLength"] + 1)]
        for inner in node.values():
            take(inner)

    made = schema()
    for table in (made, *made["$defs"].values()):
        take(table)
    return found


GROWN = grown()


class Folder:
    """A folder with a home file to break, and the series files it may name."""

    def __init__(self, path: Path, dice: Random) -> None:
        self.file, self.dice = path / "home.toml", dice
        for name in ("prices.csv", "carbon.csv"):
            (path / name).write_text("time,value\n2026-01-01T00:00Z,0.30\n2026-07-01T00:00Z,0.25\n")
        self.texts = [EXAMPLE.read_bytes(), DEMO.read_bytes(), TWO_HEATERS.encode()]
        self.documents = [tomllib.loads(text.decode()) for text in self.texts]
        self.outcomes: Counter[str] = Counter()
        self.slowest_s = 0.0

    def try_one(self, content: bytes) -> None:
        self.file.write_bytes(content)
        began = time.perf_counter()
        try:
            home = load(self.file)
        except ConfigError as refused:
            self._judge_refusal(refused, content)
            self.outcomes["refused"] += 1
        else:
            cautions(home)
            rules_shown(home)
            self._live(home, content)
        self.slowest_s = max(self.slowest_s, time.perf_counter() - began)
        assert self.slowest_s < SLOWEST_S, content[:2000]

    def _judge_refusal(self, refused: ConfigError, content: bytes) -> None:
        assert refused.problems, content
        for problem in refused.problems:
            text = str(problem)
            assert "home.toml" in text, (text, content)
            assert "expected" in problem.cause, (text, content)
            assert problem.subject, (text, content)
            assert "\n" not in text, (text, content)
            assert len(text) < 2000, (text, content)
            text.encode()

    def _live(self, home: Any, content: bytes) -> None:
        try:
            made = prepare(home)
        except BrimfulError as refused:
            self.outcomes["refused by what it names" if refused.cause else "refused without a word"] += 1
            return
        self.outcomes["loaded"] += 1
        house = Fired(made, self.dice)
        for _ in range(4):
            for topic in house.topics:
                house.shot(house.well(topic), topic, False)
            house.clock.forward(30.0)
        house.look()


def fuzz(path: Path, seed: int, count: int) -> None:
    """Try `count` broken home files, half of them by bytes, half by keys; print the closing line."""
    dice = Random(seed)
    folder = Folder(path, dice)
    began = time.perf_counter()
    for number in range(count):
        if number % 2:
            content = hostile.mutated(dice.choice(folder.texts), folder.texts, dice)
        else:
            document = hostile_toml.broken(dice.choice(folder.documents), GROWN, dice)
            content = hostile_toml.written(document).encode("utf-8", "surrogatepass")
        folder.try_one(content)
    said = ", ".join(f"{many:,} {what}" for what, many in folder.outcomes.items())
    print(
        f"\n{count:,} home files tried (seed {seed}) in {time.perf_counter() - began:.0f} s: {said}; "
        f"slowest {folder.slowest_s:.2f} s"
    )
    assert not folder.outcomes["refused without a word"]
    assert folder.outcomes["refused"] > count // 10
    assert folder.outcomes["loaded"] > count // 20


@pytest.mark.parametrize("count", [400, pytest.param(30_000, marks=pytest.mark.long)])
def test_a_broken_home_file_is_refused_in_words_or_lived_in(tmp_path: Path, count: int) -> None:
    fuzz(tmp_path, 3, count)


HOSTILE_VALUES = (
    *hostile.NASTY_NUMBERS,
    *hostile.WORDS,
    *(
        "92",
        "0",
        "-1",
        "1e15",
        "1e999999",
        "94.123456789",
        "x" * 5000,
        "'",
        '"',
        '"""',
        "#",
        "# x",
        "a = 1",
        "[x]",
        "\\",
    ),
    *(
        "2026-08-01/2026-08-15",
        "2026-08-15/2026-08-01",
        "9999-12-30/9999-12-31",
        "0001-01-01/0001-01-02",
        "/",
        "a/b,c/d",
    ),
    *(
        "2026-08-01T12:00:00Z/2026-08-02",
        "2026-08-01/2026-08-02," * 300,
        "\n",
        "1\n[rules.full]",
        "\r",
        "\x1b[31m",
        "é",
    ),
    *("\ud800", "1 # c", "true\nx = 1", "main", "main,main", "car_w", "on", "no"),
)
WELL = ("60", "300", "0.5", "1", "2", "90", "true", "2026-08-01/2026-08-15", "")


def comments_lost(before: bytes, after: bytes) -> int:
    """How many comments are gone; the others stand in their order."""
    unquoted = (re.sub(rb'^(\w+ = )"[^"\n]*"', rb"\1", text, flags=re.MULTILINE) for text in (before, after))
    was, now = ([line.split(b"#", 1)[1] for line in text.splitlines() if b"#" in line] for text in unquoted)
    rest = iter(was)
    assert all(comment in rest for comment in now)
    return len(was) - len(now)


@pytest.mark.parametrize("count", [100, pytest.param(4_000, marks=pytest.mark.long)])
def test_a_hostile_rule_leaves_the_file_as_it_was(tmp_path: Path, count: int) -> None:
    dice = Random(5)
    path = tmp_path / "home.toml"
    path.write_bytes(EXAMPLE.read_bytes())
    known = {name: list(keys) for name, keys in rules_shown(load(path)).items()}
    outcomes: Counter[str] = Counter()
    for _ in range(count):
        before = path.read_bytes()
        rule = dice.choice((*known, *known, "", "full]", "x" * 99, "yield_", "\ud800"))
        keys = known.get(rule, ["stop_at_pct"])
        values = {
            dice.choice((*keys, *keys, *keys, "", "a.b", "\n")): dice.choice(
                HOSTILE_VALUES if dice.random() < 0.7 else WELL
            )
            for _ in range(dice.choice((1, 1, 1, 2, 3)))
        }
        try:
            change = set_rule(path, rule, values)
        except BrimfulError as refused:
            outcomes["refused" if str(refused) else "refused without a word"] += 1
            assert path.read_bytes() == before, (rule, values)
        else:
            assert path.read_bytes() == change.content
            assert load(path) == change.home
            taken_out = sum(not text.strip() for text in values.values())  # a key goes with the comment behind it
            assert comments_lost(before, path.read_bytes()) <= taken_out, (rule, values)
            outcomes["changed"] += change.content != before
            outcomes["accepted"] += 1
            path.write_bytes(EXAMPLE.read_bytes())
        assert list(tmp_path.iterdir()) == [path], "nothing is left beside it"
    print(f"\n{count:,} changes of rules tried: {dict(outcomes)}")
    assert not outcomes["refused without a word"]
    assert outcomes["refused"] > count // 10
    assert outcomes["changed"] > count // 50
