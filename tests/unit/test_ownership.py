"""The three packages are ours, a stranger of the same name is refused, and the built package holds just these."""

import os
import shutil
import subprocess
import sys
import tomllib
import zipfile
from importlib import import_module
from pathlib import Path

import pytest

from daemon.cli.ownership import PACKAGES, refuse_strangers
from rules.model.errors import BrimfulError

REPO = Path(__file__).parents[2]


@pytest.mark.parametrize("name", PACKAGES)
def test_each_package_says_whose_it_is_and_lies_in_this_tree(name: str) -> None:
    package = import_module(name)
    assert package.__project__ == "brimful"
    assert Path(package.__file__ or "").parent == REPO / name


def test_the_packages_checked_are_those_that_are_built() -> None:
    built = tomllib.loads((REPO / "pyproject.toml").read_text())["tool"]["setuptools"]["packages"]["find"]["include"]
    assert sorted(built) == sorted(f"{name}*" for name in PACKAGES)


def test_our_own_packages_pass() -> None:
    refuse_strangers()


@pytest.mark.parametrize("text", ["", "__project__ = 'someone else'\n"])
def test_a_stranger_is_refused_with_its_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    (tmp_path / "strange_rules").mkdir()
    (tmp_path / "strange_rules" / "__init__.py").write_text(text)
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.delitem(sys.modules, "strange_rules", raising=False)
    with pytest.raises(BrimfulError, match=r"package strange_rules: expected brimful's own, found another") as caught:
        refuse_strangers(["strange_rules"])
    assert str(tmp_path) in str(caught.value)
    assert "PYTHONPATH" in caught.value.hint


def test_a_directory_without_code_is_a_stranger_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "hollow_rules").mkdir()
    monkeypatch.syspath_prepend(tmp_path)
    with pytest.raises(BrimfulError, match=r"found another project's .*hollow_rules"):
        refuse_strangers(["hollow_rules"])


def test_a_missing_package_is_refused() -> None:
    with pytest.raises(BrimfulError, match="package no_such_package: expected brimful's own, found none"):
        refuse_strangers(["no_such_package"])


@pytest.mark.parametrize(
    "files", [{"__init__.py": ""}, {"__init__.py": "", "errors.py": "class BrimfulError(Exception): ..."}]
)
@pytest.mark.parametrize("name", ["rules", "accounting"])
def test_a_start_with_a_stranger_in_front_ends_with_2(tmp_path: Path, name: str, files: dict[str, str]) -> None:
    """In a process of its own: the stranger is in front of ours on the path, as PYTHONPATH would put it."""
    (tmp_path / name).mkdir()
    for file, text in files.items():
        (tmp_path / name / file).write_text(text)
    code = (
        "import sys\n"
        f"sys.path[:0] = [{str(tmp_path)!r}, {str(REPO)!r}]\n"
        "from daemon.cli.ownership import refuse_strangers\n"
        "try:\n    refuse_strangers()\n"
        "except Exception as error:\n    print(error.args, file=sys.stderr)\n    sys.exit(2)\n"
    )
    done = subprocess.run(
        [sys.executable, "-I", "-c", code], capture_output=True, text=True, timeout=30, check=False, cwd=tmp_path
    )
    assert done.returncode == 2, done.stderr
    assert f"package {name}" in done.stderr
    assert "Traceback" not in done.stderr


def test_the_wheel_holds_our_packages_with_their_data_and_no_tests(tmp_path: Path) -> None:
    source = tmp_path / "source"
    source.mkdir()
    for name in PACKAGES:
        shutil.copytree(REPO / name, source / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(REPO / "pyproject.toml", source)
    (source / "README.md").write_text("What this is.\n")
    # A stray folder beside ours must not be taken along.
    (source / "tests").mkdir()
    (source / "tests" / "test_stray.py").write_text("")
    build = "from setuptools.build_meta import build_wheel; print(build_wheel('..'))"
    done = subprocess.run(
        [sys.executable, "-I", "-c", build],
        cwd=source, capture_output=True, text=True, timeout=120, check=False,
        env={**os.environ, "SOURCE_DATE_EPOCH": "1767225600"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    with zipfile.ZipFile(tmp_path / done.stdout.split()[-1]) as wheel:
        held = {name for name in wheel.namelist() if ".dist-info/" not in name}
    wanted = {
        path.relative_to(REPO).as_posix()
        for name in PACKAGES
        for path in (REPO / name).rglob("*")
        if path.is_file() and path.suffix != ".pyc"
    }
    assert held == wanted
