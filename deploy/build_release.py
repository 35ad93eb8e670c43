"""Builds the release of a tag: sdist and wheel, the same byte for byte wherever and whenever they are built.

    python deploy/build_release.py TAG FOLDER     run by deploy/release, with a Python that has the build backend

The tag alone counts, not what lies in the checkout. The sdist holds deploy/ too: a machine is installed from it.
Times are the tag's commit's, owners and modes are the same for all, members are in the order of their names.
"""

import gzip
import io
import os
import re
import subprocess
import sys
import tarfile
import tempfile
import tomllib
from pathlib import Path

_BACKEND = "import sys; from setuptools import build_meta as b; print(getattr(b, sys.argv[1])(sys.argv[2]))"


class CannotBuild(Exception):
    """Why there is no release."""


def build(repo: Path, tag: str, to: Path) -> list[Path]:
    """sdist and wheel of the tag, in the folder `to`. Raises CannotBuild."""
    at_s = _git(repo, "log", "-1", "--format=%ct", f"{tag}^{{commit}}").decode().strip()
    to.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        tree = Path(folder) / "tree"
        with tarfile.open(fileobj=io.BytesIO(_git(repo, "archive", tag))) as archive:
            archive.extractall(tree, filter="data")
        _refuse_unready(tree, tag)
        (tree / "MANIFEST.in").write_text("graft deploy\nglobal-exclude *.pyc\n", encoding="utf-8")
        made = [_run_backend(tree, what, Path(folder), at_s) for what in ("build_sdist", "build_wheel")]
        _even(made[0], int(at_s))
        placed = [to / path.name for path in made]
        for path, place in zip(made, placed, strict=True):
            place.write_bytes(path.read_bytes())
    return placed


def _git(repo: Path, *arguments: str) -> bytes:
    done = subprocess.run(["git", "-C", str(repo), *arguments], capture_output=True, check=False)
    if done.returncode:
        raise CannotBuild(done.stderr.decode(errors="replace").strip())
    return done.stdout


def _refuse_unready(tree: Path, tag: str) -> None:
    """A tag is v and the version's number, its changes are in the changelog, and no fragment is left over."""
    version = tomllib.loads((tree / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]
    if tag != f"v{version}":
        raise CannotBuild(f"{tag}: expected the tag v{version}, for pyproject.toml says version {version}")
    changelog = (tree / "deploy" / "CHANGELOG.md").read_text(encoding="utf-8")
    if not re.search(rf"^## {re.escape(version)} ", changelog, flags=re.MULTILINE):
        raise CannotBuild(f"deploy/CHANGELOG.md: expected a section of {version}, found none; towncrier build makes it")
    left = sorted(path.name for path in (tree / "deploy" / "changes").glob("*.*.md"))
    if left:
        got = ", ".join(left)
        raise CannotBuild(f"deploy/changes: expected no fragment left, got {got}; towncrier build takes them in")


def _run_backend(tree: Path, what: str, folder: Path, at_s: str) -> Path:
    environment = {**os.environ, "SOURCE_DATE_EPOCH": at_s, "PYTHONHASHSEED": "0"}
    done = subprocess.run(
        [sys.executable, "-c", _BACKEND, what, str(folder)],
        cwd=tree, env=environment, capture_output=True, text=True, check=False, umask=0o022,
    )  # fmt: skip
    if done.returncode:
        raise CannotBuild(f"{what}: {done.stderr.strip()[-2000:]}")
    return folder / done.stdout.split()[-1]


def _even(sdist: Path, at_s: int) -> None:
    """Write the sdist anew without what differs from machine to machine; the backend does not see to that."""
    plain = io.BytesIO()
    with tarfile.open(sdist) as source, tarfile.open(fileobj=plain, mode="w", format=tarfile.PAX_FORMAT) as target:
        for member in sorted(source.getmembers(), key=lambda one: one.name):
            member.mtime, member.uid, member.gid, member.uname, member.gname = at_s, 0, 0, "", ""
            member.mode = 0o755 if member.isdir() or member.mode & 0o100 else 0o644
            member.pax_headers = {}
            target.addfile(member, source.extractfile(member) if member.isfile() else None)
    with sdist.open("wb") as file, gzip.GzipFile("", "wb", 9, file, mtime=at_s) as packed:
        packed.write(plain.getvalue())


if __name__ == "__main__":
    try:
        for path in build(Path(__file__).resolve().parents[1], sys.argv[1], Path(sys.argv[2])):
            print(path)
    except CannotBuild as refused:
        print(f"brimful: {refused}", file=sys.stderr)
        sys.exit(2)
