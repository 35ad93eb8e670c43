"""deploy/start makes the environment once, anew when it must, passes the arguments on, and touches nothing else.

Python and pip are stood in for by a script that writes down what it was asked for; the registries are not needed. That
the lock files install is shown by every run of tests/run, which makes its own environment the same way.
"""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

REPO = Path(__file__).parents[2]

PYTHON = r"""#!/bin/bash
# Stands in for python: -c succeeds, -m venv copies itself, -m pip writes the program.
case "$*" in
*"import ensurepip"*) exit "${STAND_IN_NO_VENV:-0}" ;;
"-c import click"*) ! rm "${STAND_IN_BROKEN:-/nowhere}" 2>/dev/null ;;
"-c "*) exit 0 ;;
"-m venv "*)
    echo "venv" >>"$STAND_IN_LOG"
    mkdir -p "${@: -1}/bin" && cp "$0" "${@: -1}/bin/python"
    ;;
"-m pip install "*)
    case "$*" in
    *--require-hashes*) echo "packages" >>"$STAND_IN_LOG" ;;
    *--no-deps*)
        echo "project" >>"$STAND_IN_LOG"
        printf '#!/bin/bash\nprintf "<%%s>" "$@"\nexit 7\n' >"$(dirname "$0")/brimful"
        chmod +x "$(dirname "$0")/brimful"
        ;;
    esac
    echo "chatter of pip"
    [ "${STAND_IN_FAIL:-}" != "$(tail -n 1 "$STAND_IN_LOG")" ]
    ;;
*) exit 1 ;;
esac
"""


class House:
    """A checkout of its own with a stand-in for Python."""

    def __init__(self, root: Path) -> None:
        self.repo = root / "check out"  # a space: paths are people's
        self.venv = self.repo / ".venv"
        self.log = root / "log"
        self.elsewhere = root / "elsewhere"
        self.elsewhere.mkdir()
        (self.repo / "deploy").mkdir(parents=True)
        for name in ("start", "environment.sh", "requirements.lock"):
            shutil.copy(REPO / "deploy" / name, self.repo / "deploy")
        for name in ("rules", "accounting", "daemon"):
            (self.repo / name).mkdir()
            (self.repo / name / "__init__.py").write_text("")
        for name in ("pyproject.toml", "README.md"):
            (self.repo / name).write_text(name)
        self.python = root / "python"
        self.python.write_text(PYTHON)
        self.python.chmod(0o755)

    def start(self, *arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [str(self.repo / "deploy" / "start"), *arguments],
            env={
                "PATH": os.environ["PATH"],
                "BRIMFUL_PYTHON": str(self.python),
                "STAND_IN_LOG": str(self.log),
                **environment,
            },
            cwd=self.elsewhere, capture_output=True, text=True, timeout=30, check=False, stdin=subprocess.DEVNULL,
        )  # fmt: skip

    def done(self) -> list[str]:
        """What was made since last asked."""
        words = self.log.read_text().split() if self.log.exists() else []
        self.log.unlink(missing_ok=True)
        return words


@pytest.fixture
def house(tmp_path: Path) -> House:
    return House(tmp_path)


@pytest.mark.parametrize(
    ("given", "passed"),
    [
        ([], "<demo>"),
        (["--days", "2"], "<demo><--days><2>"),
        (["my home.toml", "-v"], "<run><my home.toml><-v>"),
        (["value", "--by", "month"], "<value><--by><month>"),
    ],
)
def test_the_arguments_are_passed_on(house: House, given: list[str], passed: str) -> None:
    done = house.start(*given)
    assert done.stdout == passed, done.stderr  # and nothing else: stdout is brimful's
    assert done.returncode == 7  # and so is the exit status


def test_a_second_start_makes_nothing(house: House) -> None:
    house.start()
    assert house.done() == ["venv", "packages", "project"]
    again = house.start()
    assert house.done() == []
    assert again.stderr == ""


def test_a_damaged_environment_is_made_anew(house: House) -> None:
    """A package is gone, or half of one: said, mended, and the command goes on."""
    house.start()
    house.done()
    broken = house.elsewhere / "broken"
    broken.touch()
    again = house.start("value", STAND_IN_BROKEN=str(broken))
    assert house.done() == ["venv", "packages", "project"]
    assert "is damaged; making it anew" in again.stderr
    assert (again.stdout, again.returncode) == ("<value>", 7)


def test_changed_code_is_installed_anew_and_changed_packages_too(house: House) -> None:
    house.start()
    house.done()
    (house.repo / "rules" / "__init__.py").write_text("# changed\n")
    house.start()
    assert house.done() == ["project"]
    with (house.repo / "deploy" / "requirements.lock").open("a") as lock:
        lock.write("# changed\n")
    house.start()
    assert house.done() == ["venv", "packages", "project"]


def test_byte_code_is_no_change(house: House) -> None:
    house.start()
    house.done()
    (house.repo / "rules" / "__init__.pyc").write_bytes(b"made by running")
    house.start()
    assert house.done() == []


@pytest.mark.parametrize("step", ["packages", "project"])
def test_what_was_interrupted_is_made_anew(house: House, step: str) -> None:
    broken = house.start(STAND_IN_FAIL=step)
    assert broken.returncode == 2
    assert "could not be installed" in broken.stderr
    assert broken.stdout == ""
    house.done()
    assert house.start().stdout == "<demo>"
    assert house.done() == (["venv", "packages", "project"] if step == "packages" else ["project"])


def test_a_python_that_has_gone_is_replaced(house: House) -> None:
    house.start()
    house.done()
    (house.venv / "bin" / "python").unlink()
    assert house.start().stdout == "<demo>"
    assert house.done() == ["venv", "packages", "project"]


def test_a_folder_that_is_not_ours_is_not_touched(house: House) -> None:
    house.venv.mkdir()
    (house.venv / "letters").write_text("dear")
    refused = house.start()
    assert refused.returncode == 2
    assert "did not make" in refused.stderr
    assert (house.venv / "letters").read_text() == "dear"
    assert house.done() == []


def test_the_environment_may_be_elsewhere(house: House) -> None:
    assert house.start(BRIMFUL_VENV="own place/env").stdout == "<demo>"
    assert (house.elsewhere / "own place" / "env" / "bin" / "brimful").exists()
    assert not house.venv.exists()


def test_without_the_venv_module_it_says_what_to_install(house: House, tmp_path: Path) -> None:
    """For a user who is not root; only the stand-in is on offer."""
    tools = tmp_path / "tools"
    tools.mkdir()
    for name in ("bash", "cat", "cut", "dirname", "flock", "ls", "mkdir", "readlink", "sha256sum"):
        (tools / name).symlink_to(shutil.which(name) or "")
    (tools / "id").write_text("#!/bin/bash\necho 1000\n")
    (tools / "id").chmod(0o755)
    (tools / "python3").symlink_to(house.python)
    # Debian's own Python, where there is one, is looked for by its path: here it must not be found.
    script = house.repo / "deploy" / "environment.sh"
    script.write_text(script.read_text().replace("/usr/bin/python3", "/nowhere/python3"))
    refused = house.start(PATH=str(tools), STAND_IN_NO_VENV="1", BRIMFUL_PYTHON="")
    assert refused.returncode == 2
    assert "the venv module of" in refused.stderr
    assert "sudo apt-get install python3 python3-venv" in refused.stderr
