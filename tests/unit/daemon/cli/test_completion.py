"""Help, completion and the manual page: complete, made from the parser, and of one mind with the documents."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from daemon.cli.main import COMMANDS, commands
from tests.support.command_lines import README, every_command, shown_commands, wrong_in

_KNOWN = dict(every_command())


@pytest.mark.parametrize("name", _KNOWN)
def test_every_command_and_option_has_help(name: str) -> None:
    command = _KNOWN[name]
    assert command.help, name
    for param in command.params:
        if isinstance(param, click.Option):
            assert param.help, f"{name} {param.opts}"


def test_every_command_that_the_documents_show_is_one() -> None:
    documents = [README, *sorted((README.parent / "deploy" / "docs").glob("*.md"))]
    shown = [line for document in documents for line in shown_commands(document.read_text(encoding="utf-8"))]
    assert len(shown) > 40
    wrong = {line: why for line in shown if (why := wrong_in(line, _KNOWN))}
    assert wrong == {}


def test_what_is_wrong_in_a_shown_command_is_found() -> None:
    block = "    brimful chekc HOME.toml   # x\n    brimful check HOME.toml --nonsense\n"
    text = f"run\n\n{block}\nor `brimful\nvalue --by day`"
    shown = shown_commands(text)
    assert shown == ["chekc HOME.toml", "check HOME.toml --nonsense", "value --by day"]
    assert [wrong_in(line, _KNOWN) for line in shown] == ["no command chekc", "no option --nonsense", ""]


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_each_shell_gets_its_script(shell: str) -> None:
    script = CliRunner().invoke(commands, ["completion", shell]).stdout
    assert f"_BRIMFUL_COMPLETE={shell}_complete" in script


def _completed(words: str, place: int) -> list[str]:
    done = subprocess.run(
        [sys.executable, "-c", "from daemon.cli import main; main()"],
        env={"_BRIMFUL_COMPLETE": "bash_complete", "COMP_WORDS": words, "COMP_CWORD": str(place), "PATH": os.defpath},
        cwd=Path(__file__).parents[4],
        capture_output=True,
        text=True,
        timeout=60,
    )
    return [line.partition(",")[2] for line in done.stdout.splitlines()]


def test_commands_and_options_are_completed() -> None:
    assert _completed("brimful ver", 1) == ["verify", "verdict"]
    assert _completed("brimful check --re", 2) == ["--report"]
    assert _completed("brimful completion ", 2) == ["bash", "zsh", "fish"]


def test_bash_takes_the_script(tmp_path: Path) -> None:
    script = tmp_path / "brimful"
    script.write_text(CliRunner().invoke(commands, ["completion", "bash"]).stdout)
    bash = shutil.which("bash")
    assert bash is not None
    done = subprocess.run([bash, "-n", str(script)], capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stderr) == (0, "")


def test_the_manual_page_has_every_command_and_option() -> None:
    page = CliRunner().invoke(commands, ["man"]).stdout.replace("\\-", "-")
    for name in COMMANDS:
        assert f".SS brimful {name}" in page
    for name, command in _KNOWN.items():
        for param in command.params if name.count(" ") == 1 else ():
            if isinstance(param, click.Option):
                assert max(param.opts, key=len) in page, (name, param.opts)
    for section in ("NAME", "SYNOPSIS", "DESCRIPTION", "COMMANDS", "FILES", "ENVIRONMENT", "EXIT STATUS", "CAUTIONS"):
        assert f".SH {section}" in page
    assert not [line for line in page.splitlines() if line.startswith(("'", ".")) and line[1:3].islower()]


def test_roff_has_nothing_to_say_against_it(tmp_path: Path) -> None:
    groff = shutil.which("groff")
    if groff is None:
        pytest.skip("no groff on this machine")
    page = tmp_path / "brimful.1"
    page.write_text(CliRunner().invoke(commands, ["man"]).stdout)
    done = subprocess.run([groff, "-man", "-Tutf8", "-ww", "-z", str(page)], capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stderr) == (0, "")
