"""A release: the changelog of fragments, and sdist and wheel of a tag that are the same whoever builds them."""

import os
import re
import shutil
import subprocess
import sys
import tarfile
import time
import tomllib
import zipfile
from pathlib import Path

import pytest

from deploy.build_release import CannotBuild, build

REPO = Path(__file__).parents[2]
PARTS = ("rules", "accounting", "daemon", "deploy", "pyproject.toml", "README.md")
VERSION = "99.0.0"
"""A version that is not released yet, whatever the present one is."""
KINDS = {"caution", "added", "changed", "fixed"}


def _run(*command: str | Path, cwd: Path, **environment: str) -> str:
    done = subprocess.run(
        [str(part) for part in command],
        cwd=cwd, env={**os.environ, **environment}, capture_output=True, text=True, timeout=900, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def _commit(repo: Path, words: str) -> None:
    person = {f"GIT_{who}_{what}": "a@b.example" for who in ("AUTHOR", "COMMITTER") for what in ("NAME", "EMAIL")}
    when = {f"GIT_{who}_DATE": "2026-11-20T08:00:00+0000" for who in ("AUTHOR", "COMMITTER")}
    _run("git", "add", "--all", cwd=repo)
    _run("git", "commit", "--quiet", "-m", words, cwd=repo, **person, **when)


@pytest.fixture(scope="module")
def repo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The project as it stands here, in a repository of its own, made ready for a release of its version."""
    made = tmp_path_factory.mktemp("release") / "repo"
    made.mkdir()
    for part in PARTS:
        if (REPO / part).is_dir():
            shutil.copytree(REPO / part, made / part, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(REPO / part, made)
    project = made / "pyproject.toml"
    project.write_text(re.sub(r'^version = ".*"$', f'version = "{VERSION}"', project.read_text(), flags=re.MULTILINE))
    _run("git", "init", "--quiet", cwd=made)
    (made / "deploy" / "changes" / "test-word.added.md").write_text("A word for this test.\n")
    _commit(made, "As it stands")
    _run("git", "tag", f"v{VERSION}", cwd=made)
    _run(sys.executable, "-m", "towncrier", "build", "--yes", "--version", VERSION, "--date", "2026-11-20", cwd=made)
    _commit(made, "Release")
    _run("git", "tag", "--force", f"v{VERSION}", cwd=made)
    _run("git", "tag", "before", "HEAD~", cwd=made)
    return made


def test_each_fragment_is_of_a_known_kind_and_says_something() -> None:
    fragments = [path for path in (REPO / "deploy" / "changes").iterdir() if path.name != "README.md"]
    for path in fragments:
        assert re.fullmatch(rf"[a-z0-9-]+\.({'|'.join(KINDS)})\.md", path.name), path.name
        assert len(path.read_text().split()) > 3, path.name
    explained = (REPO / "deploy" / "changes" / "README.md").read_text()
    assert set(re.findall(r"^- `(\w+)`", explained, flags=re.MULTILINE)) == KINDS
    config = tomllib.loads((REPO / "pyproject.toml").read_text())["tool"]["towncrier"]
    assert {kind["directory"] for kind in config["type"]} == KINDS


def test_the_fragments_go_into_the_changelog(repo: Path) -> None:
    changelog = (repo / "deploy" / "CHANGELOG.md").read_text()
    assert f"## {VERSION} (2026-11-20)" in changelog
    assert "- A word for this test." in changelog
    assert [path.name for path in (repo / "deploy" / "changes").iterdir()] == ["README.md"]


def test_there_is_one_changelog_and_its_past_stands_in_it() -> None:
    found = [path for part in PARTS for path in (REPO / part).rglob("*") if "changelog" in path.name.lower()]
    assert found == [REPO / "deploy" / "CHANGELOG.md"]
    before, _, after = found[0].read_text().partition("<!-- towncrier release notes start -->")
    assert "## " not in before
    assert "## 0.1.0\n" in after


@pytest.fixture(scope="module")
def built(repo: Path) -> list[Path]:
    return build(repo, f"v{VERSION}", repo.parent / "once")


def test_two_builds_are_the_same_byte_for_byte(repo: Path, built: list[Path], monkeypatch: pytest.MonkeyPatch) -> None:
    """The second from another clone, with another umask, time zone and hash seed, and in another second."""
    clone = repo.parent / "clone"
    _run("git", "clone", "--quiet", repo, clone, cwd=repo)
    monkeypatch.setenv("TZ", "Pacific/Auckland")
    monkeypatch.setenv("PYTHONHASHSEED", "7")
    former = os.umask(0o077)
    try:
        while int(time.time()) <= max(path.stat().st_mtime for path in built):
            time.sleep(0.05)
        again = build(clone, f"v{VERSION}", repo.parent / "twice")
    finally:
        os.umask(former)
    assert [path.name for path in built] == [f"brimful-{VERSION}.tar.gz", f"brimful-{VERSION}-py3-none-any.whl"]
    for one, other in zip(built, again, strict=True):
        assert one.read_bytes() == other.read_bytes(), one.name


def test_the_sdist_is_what_a_machine_is_installed_from(built: list[Path]) -> None:
    with tarfile.open(built[0]) as sdist:
        modes = {member.name.split("/", 1)[-1]: member.mode for member in sdist.getmembers()}
        assert {member.uname for member in sdist.getmembers()} == {""}
    for script in ("install", "upgrade", "uninstall"):
        assert modes[f"deploy/{script}"] == 0o755
    assert {"deploy/system.sh", "deploy/requirements.lock", "deploy/brimful.service", "deploy/CHANGELOG.md"} <= set(
        modes
    )
    assert not [name for name in modes if name.endswith(".pyc")]


def test_the_wheel_holds_all_of_the_program_and_says_its_version(built: list[Path], tmp_path: Path) -> None:
    with zipfile.ZipFile(built[1]) as wheel:
        names = {name for name in wheel.namelist() if ".dist-info/" not in name}
    tracked = {
        str(path.relative_to(REPO))
        for part in ("rules", "accounting", "daemon")
        for path in (REPO / part).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert names == tracked
    pip = (sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-index", "--target", "there", built[1])
    _run(*pip, cwd=tmp_path)
    said = _run(sys.executable, tmp_path / "there/bin/brimful", "--version", cwd=tmp_path, PYTHONPATH="there")
    assert said == f"brimful, version {VERSION}\n"


@pytest.mark.parametrize(
    ("tag", "said"),
    [("v9.9.9", "v9.9.9"), ("before", f"expected the tag v{VERSION}")],
)
def test_a_tag_that_is_not_of_this_version_is_refused(repo: Path, tmp_path: Path, tag: str, said: str) -> None:
    with pytest.raises(CannotBuild, match=re.escape(said)):
        build(repo, tag, tmp_path)


def test_a_tag_before_the_changelog_is_refused(repo: Path, tmp_path: Path) -> None:
    clone = tmp_path / "clone"
    _run("git", "clone", "--quiet", repo, clone, cwd=repo)
    (clone / "deploy" / "changes" / "late.fixed.md").write_text("One more thing.\n")
    _commit(clone, "Late")
    _run("git", "tag", "--force", f"v{VERSION}", cwd=clone)
    with pytest.raises(CannotBuild, match=r"got late\.fixed\.md"):
        build(clone, f"v{VERSION}", tmp_path / "out")
    _run("git", "tag", "--force", f"v{VERSION}", "before", cwd=clone)
    with pytest.raises(CannotBuild, match="expected a section of"):
        build(clone, f"v{VERSION}", tmp_path / "out")
    assert not list((tmp_path / "out").iterdir())


@pytest.mark.long
def test_the_wheel_runs_in_a_bare_environment(repo: Path, tmp_path: Path) -> None:
    """deploy/release itself, with the locked packages from the registry."""
    said = _run(repo / "deploy" / "release", f"v{VERSION}", tmp_path / "dist", cwd=tmp_path)
    assert [line.split()[1] for line in said.splitlines()] == [
        f"brimful-{VERSION}.tar.gz",
        f"brimful-{VERSION}-py3-none-any.whl",
    ]
