"""What holds for the repository as a whole: its layout, what its files may name, how large a module may be."""

import re
import shutil
import subprocess
import tomllib
from pathlib import Path

import pytest

from daemon.cli.main import COMMANDS

REPO = Path(__file__).parents[2]
TOP_FILES = {"README.md", "DEVELOPERS.md", "pyproject.toml", ".gitignore"}
TOP_FOLDERS = {"rules", "accounting", "daemon", "tests", "deploy", ".ci"}
LONGEST_MODULE = 450

# Written in pieces, so that this file does not hold what it looks for.
REGISTRY_HOSTS = ("pypi" + r"\.org", "python" + r"hosted\.org", "npm" + r"js\.(?:org|com)", "deb" + r"ian\.org")
OUR_MACHINES = (
    r"(?<![\w.])/(?:home|Users)/\w",
    r"(?<![\w.])/work" + r"/\w",
    r"(?<![\w.])/root" + r"/\.?\w",
    "/tmp" + r"/\w",
)


def _tracked() -> list[Path]:
    """The files git keeps; outside a checkout, all that are not hidden and not made by running."""
    listed = None
    if shutil.which("git"):
        listed = subprocess.run(["git", "ls-files", "-z"], cwd=REPO, capture_output=True, timeout=30, check=False)
    if listed is not None and listed.returncode == 0:
        paths = [REPO / name for name in listed.stdout.decode().split("\0") if name]
    else:
        paths = [path for name in TOP_FILES | TOP_FOLDERS for path in (REPO / name, *(REPO / name).rglob("*"))]
    made = {"__pycache__", ".cache"}
    return sorted(path for path in paths if path.is_file() and not made & set(path.relative_to(REPO).parts))


TRACKED = _tracked()
MODULES = [path for path in TRACKED if path.suffix == ".py"]


def _lines_with(pattern: str) -> list[str]:
    """Where a pattern occurs, as file:line: text."""
    found = []
    for path in TRACKED:
        try:
            text = path.read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue  # no text, so nothing that a person could read in it
        for number, line in enumerate(text.splitlines(), start=1):
            if re.search(pattern, line):
                found.append(f"{path.relative_to(REPO)}:{number}: {line.strip()[:120]}")
    return found


def test_there_is_something_to_look_at() -> None:
    assert len(MODULES) > 20


def test_the_top_level_is_as_designed() -> None:
    tops = {path.relative_to(REPO).parts[0] for path in TRACKED}
    assert tops <= TOP_FILES | TOP_FOLDERS
    assert tops >= {"pyproject.toml", ".gitignore", ".ci", "rules", "accounting", "daemon", "tests", "deploy"}


@pytest.mark.parametrize("pattern", REGISTRY_HOSTS)
def test_no_file_names_a_registry_host(pattern: str) -> None:
    assert _lines_with(pattern) == []


@pytest.mark.parametrize("pattern", OUR_MACHINES)
def test_no_file_names_a_place_on_somebodys_machine(pattern: str) -> None:
    assert _lines_with(pattern) == []


def test_where_the_job_came_from_is_told_once() -> None:
    told = _lines_with(r"(?i)\bseed" + r"\s+document")
    assert {line.split(":")[0] for line in told} == {"DEVELOPERS.md"}


@pytest.mark.parametrize("name", ["requirements.lock", "requirements-test.lock"])
def test_a_lock_pins_versions_and_hashes_and_names_no_place(name: str) -> None:
    entries = re.sub(r"\\\n\s*", " ", (REPO / "deploy" / name).read_text()).splitlines()
    entries = [line for line in entries if line.strip() and not line.lstrip().startswith("#")]
    assert len(entries) > 10
    for entry in entries:
        assert re.fullmatch(r"[a-z0-9-]+==[\w.!+]+(?: ; [^;]+?)?(?: +--hash=sha256:[0-9a-f]{64})+", entry), entry


def test_the_locks_hold_what_the_project_asks_for() -> None:
    """And the tests run on the versions that are installed."""
    project = tomllib.loads((REPO / "pyproject.toml").read_text())
    base, test = (
        dict(re.findall(r"^([a-z0-9-]+)==(\S+)", (REPO / "deploy" / name).read_text(), flags=re.MULTILINE))
        for name in ("requirements.lock", "requirements-test.lock")
    )
    extras = project["project"]["optional-dependencies"]
    for lock, asked in (
        (base, project["project"]["dependencies"] + project["build-system"]["requires"]),
        (test, extras["test"] + extras["recorded"]),
    ):
        names = {re.split(r"[^A-Za-z0-9-]", requirement)[0] for requirement in asked}
        assert names <= set(lock)
    assert base.items() <= test.items()


def test_every_module_can_be_read_in_one_sitting() -> None:
    lengths = {str(path.relative_to(REPO)): len(path.read_text().splitlines()) for path in MODULES}
    assert {name: length for name, length in lengths.items() if length > LONGEST_MODULE} == {}


FAILURES = REPO / "deploy" / "docs" / "failures.md"
FEWEST_FAILURES = 39
"""As many ways to fail were listed when the table became a document: none is to be lost."""


def test_no_row_of_what_fails_is_lost() -> None:
    assert len(_failure_rows()) >= FEWEST_FAILURES


def _failure_rows() -> list[list[str]]:
    """The cells of the whole table of failures, a row each."""
    table = [line for line in FAILURES.read_text().splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in table[2:]]


@pytest.mark.parametrize("cells", _failure_rows(), ids=lambda cells: cells[0])
def test_every_row_of_what_fails_names_the_tests_that_show_it(cells: list[str]) -> None:
    what, does, _, tested = cells
    assert what
    assert does
    named = re.findall(r"`([^`]+)`", tested)
    assert named
    for name in named:
        assert re.search(r"^def test_", (REPO / "tests" / name).read_text(), flags=re.MULTILINE), name


def test_the_tests_that_the_documents_name_exist() -> None:
    texts = [path.read_text() for path in (REPO / "README.md", *(REPO / "deploy" / "docs").rglob("*.md"))]
    named = set(re.findall(r"\btests/[\w/]+\.py\b", "\n".join(texts)))
    assert len(named) > 12
    assert {name for name in named if not (REPO / name).is_file()} == set()


SCRIPTS = [path for path in TRACKED if path.read_bytes()[:2] == b"#!"]


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda path: str(path.relative_to(REPO)))
def test_a_script_can_be_run_and_stops_at_its_first_failure(path: Path) -> None:
    assert path.stat().st_mode & 0o111
    assert path.read_text().startswith("#!/usr/bin/env bash\n")
    assert "\nset -euo pipefail\n" in path.read_text()
    checked = subprocess.run(["bash", "-n", path], capture_output=True, text=True, timeout=30, check=False)
    assert checked.returncode == 0, checked.stderr


SHELL = [*SCRIPTS, *(path for path in TRACKED if path.suffix == ".sh")]


def test_the_shell_scripts_have_no_finding_of_the_linter() -> None:
    """A name that nothing sets, a word that is split, a failure that is passed over: all of them at once."""
    assert {"deploy/start", "deploy/install", "deploy/system.sh", "tests/run"} <= {
        str(path.relative_to(REPO)) for path in SHELL
    }
    looked = subprocess.run(
        ["shellcheck", "--external-sources", "--format=gcc", *SHELL],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert (looked.returncode, looked.stdout) == (0, ""), looked.stdout + looked.stderr


def test_what_the_readme_tells_people_to_type_exists() -> None:
    text = (REPO / "README.md").read_text()
    shown = set(re.findall(r"^ {4}(?:\$ )?brimful ([a-z]+)", text, flags=re.MULTILINE))
    shown |= set(re.findall(r"`brimful ([a-z]+)", text))
    assert len(shown) > 5
    assert shown <= set(COMMANDS)
    for script in set(re.findall(r"\b(?:deploy/start|deploy/lock|tests/run)\b", text)):
        assert (REPO / script).stat().st_mode & 0o111
