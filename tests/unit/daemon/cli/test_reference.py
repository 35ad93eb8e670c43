"""The generated references are current, and leave out no table, key, signal, command or alarm."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.cli import reference
from daemon.config.model import Home
from daemon.config.reference import tables
from daemon.config.schema import models
from daemon.documents.alarm_guide import ALARM_GUIDES, PART_GUIDES
from rules.model.signals import SIGNALS

REPO = Path(__file__).parents[4]


@pytest.fixture(scope="module")
def documents() -> dict[str, str]:
    with pytest.MonkeyPatch.context() as changed:
        changed.delenv("BRIMFUL_HOME", raising=False)
        return dict(reference.documents())


def test_what_is_published_is_current(documents: dict[str, str]) -> None:
    published = {path.name: path.read_text() for path in reference.FOLDER.iterdir()}
    assert set(published) == set(documents)
    for name, text in documents.items():
        assert published[name].splitlines() == text.splitlines(), f"{name}: python -m daemon.cli.reference"


def test_every_table_and_every_key_of_the_home_file_is_documented(documents: dict[str, str]) -> None:
    text = documents["home-file.md"]
    assert set(tables()) == set(models(Home)) - {Home}
    for model, places in tables().items():
        for place in places:
            assert f"`{place}`" in text
        for name, info in model.model_fields.items():
            assert f"| `{info.alias or name}` |" in text, (model.__name__, name)
    assert text.count("\n| `") == sum(len(model.model_fields) for model in tables())


def test_every_signal_is_documented(documents: dict[str, str]) -> None:
    rows = re.findall(r"^\| `(\w+)`", documents["signals.md"], flags=re.MULTILINE)
    assert rows == list(SIGNALS)


def test_every_command_and_option_is_documented(documents: dict[str, str]) -> None:
    text = documents["commands.md"]
    seen = 0
    for context in reference.command_tree():
        section = text.split(f"## {context.command_path}\n")[1].split("\n## ")[0]
        for parameter in context.command.params:
            for option in parameter.opts:
                assert not option.startswith("-") or option in section, (context.command_path, option)
                seen += 1
    assert seen > 80


PASSES_ON = "daemon/neighbours/alerts.py"
"""Makes alarms of the parts that are at fault, whatever their names."""


def _alarm_names() -> Iterator[str]:
    """The names in the code as patterns, what is put in at run time being anything."""
    for path in [*(REPO / "rules").rglob("*.py"), *(REPO / "daemon").rglob("*.py")]:
        tree = ast.parse(path.read_text())
        for node in ast.walk(tree):
            match node:
                case ast.Call(func=ast.Name(id="Alarm"), args=[name, *_]):
                    if path != REPO / PASSES_ON:
                        yield _pattern(name, tree)


def _pattern(name: ast.expr, tree: ast.Module) -> str:
    match name:
        case ast.Constant(value=str(text)):
            return re.escape(text)
        case ast.JoinedStr(values=parts):
            return "".join(re.escape(str(p.value)) if isinstance(p, ast.Constant) else ".*" for p in parts)
        case ast.Name(id=constant):
            for node in tree.body:
                match node:
                    case ast.Assign(targets=[ast.Name(id=found)], value=value) if found == constant:
                        return _pattern(value, tree)
    raise AssertionError(f"cannot tell what this alarm is called: {ast.unparse(name)}")


def test_every_alarm_of_the_code_is_documented_and_no_other() -> None:
    patterns = list(_alarm_names())
    assert len(patterns) > 10
    named = [guide.name for guide in ALARM_GUIDES]
    assert [pattern for pattern in patterns if not any(re.fullmatch(pattern, name) for name in named)] == []
    assert [name for name in named if not any(re.fullmatch(pattern, name) for pattern in patterns)] == []


def test_every_part_that_can_be_at_fault_is_documented() -> None:
    questions = (REPO / "daemon" / "runtime" / "handlers" / "questions.py").read_text()
    body = questions.split("def faults_by_part")[1].split("def ")[0]
    parts = re.findall(r'^ +"([a-z ]+)":', body, flags=re.MULTILINE)
    assert len(parts) > 3
    assert set(parts) <= {guide.name for guide in (*ALARM_GUIDES, *PART_GUIDES)}
