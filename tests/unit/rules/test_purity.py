"""The rules ask nothing of the world: no clock, file, thread or chance."""

import ast
from pathlib import Path

import pytest

import rules

FILES = sorted(Path(rules.__path__[0]).rglob("*.py"))
IMPURE = {"time", "threading", "logging", "random", "secrets", "socket", "sqlite3", "os", "io", "pathlib", "asyncio"}
CLOCKS = {"now", "today", "utcnow", "time", "monotonic", "perf_counter"}


def faults(source: str) -> list[str]:
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call):
            called = node.func
            if isinstance(called, ast.Attribute) and called.attr in CLOCKS and not isinstance(called.value, ast.Call):
                found.append(f"line {node.lineno}: .{called.attr}(")
            if isinstance(called, ast.Name) and called.id in {"open", "print", "input", "exec", "eval"}:
                found.append(f"line {node.lineno}: {called.id}(")
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names if alias.name.split(".")[0] in IMPURE]
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] in IMPURE:
            found.append(node.module)
        if isinstance(node, ast.Global):
            found.append(f"line {node.lineno}: global")
    return found


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_is_pure(path: Path) -> None:
    assert faults(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "source",
    ["datetime.now(UTC)", "date.today()", "open('x')", "import time", "from os import path", "def f():\n global x"],
)
def test_the_check_finds_what_it_looks_for(source: str) -> None:
    assert faults(source) != []
