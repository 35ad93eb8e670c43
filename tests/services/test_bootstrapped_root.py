"""deploy/install, upgrade and uninstall in a Debian of their own, with the locked packages from the registry.

Needs root, debootstrap and the registries; systemd does not run in such a root, so that the service is not tried here.
"""

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from accounting.ledger.schema import MIGRATIONS
from tests.support.homes import SMALL
from tests.support.old_ledger import load

pytestmark = [pytest.mark.services, pytest.mark.long]
REPO = Path(__file__).parents[2]
PARTS = ("rules", "accounting", "daemon", "deploy", "pyproject.toml", "README.md")
ENTER = 'mount -t proc proc "$0/proc" && mount --bind /dev "$0/dev" && exec chroot "$0" env -i {settings} "$@"'
SCHEMA = len(MIGRATIONS)


@pytest.fixture
def root(tmp_path: Path) -> Iterator[Path]:
    if os.getuid() != 0 or shutil.which("debootstrap") is None:
        pytest.skip("needs root and debootstrap (package debootstrap)")
    place = tmp_path / "root"
    asked = ["apt-get", "indextargets", "--format", "$(REPO_URI) $(CODENAME)", "Created-By: Packages"]
    mirror, suite = subprocess.run(asked, capture_output=True, text=True, check=True).stdout.splitlines()[0].split()
    with (tmp_path / "log").open("w") as log:
        packages = "--include=python3,python3-venv,ca-certificates"
        command = ["debootstrap", "--variant=minbase", packages, suite, str(place), mirror]
        subprocess.run(command, check=True, stdout=log, stderr=log, timeout=1800)
    shutil.copy("/etc/resolv.conf", place / "etc")
    shutil.copy("/etc/ssl/certs/ca-certificates.crt", place / "etc/ssl/certs")
    for part in PARTS:
        where = place / "src" / "brimful" / part
        if (REPO / part).is_dir():
            shutil.copytree(REPO / part, where, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            where.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(REPO / part, where)
    (place / "src/home.toml").write_text(f'{SMALL}\n[broker]\nhost = "127.0.0.1"\nport = 9\n')
    yield place
    shutil.rmtree(place)


def test_a_machine_is_installed_upgraded_and_cleared(root: Path) -> None:
    path = "/usr/sbin:/usr/bin:/sbin:/bin"
    settings = f"PATH={path} HOME=/ LANG=C.UTF-8 PIP_CERT=/etc/ssl/certs/ca-certificates.crt"

    def run(*command: str) -> subprocess.CompletedProcess[str]:
        enter = ["unshare", "--mount", "--pid", "--fork", "bash", "-c", ENTER.format(settings=settings), str(root)]
        return subprocess.run([*enter, *command], capture_output=True, text=True, timeout=1800, check=False)

    current, ledger = root / "opt/brimful/current", root / "var/lib/brimful/brimful.sqlite"
    for _ in range(2):
        done = run("/src/brimful/deploy/install", "--home", "/src/home.toml")
        assert done.returncode == 0, done.stderr
        assert "systemd does not run here" in done.stderr
    first = current.readlink()
    load(SCHEMA, ledger)
    owner = root.joinpath("var/lib/brimful").stat()
    for part in ledger.parent.glob("brimful.sqlite*"):
        os.chown(part, owner.st_uid, owner.st_gid)
    assert owner.st_uid != 0

    with (root / "src/brimful/daemon/__init__.py").open("a") as later:
        later.write("# a later version\n")
    done = run("/src/brimful/deploy/upgrade")
    assert done.returncode == 0, done.stderr
    second = current.readlink()
    assert second != first
    looked = run("runuser", "-u", "brimful", "--", "/usr/local/bin/brimful", "verify")
    assert looked.returncode == 0, looked.stdout + looked.stderr
    assert {part.stat().st_uid for part in ledger.parent.iterdir()} == {owner.st_uid}

    with (root / "src/brimful/daemon/cli/main.py").open("a") as broken:
        broken.write("raise SystemExit('broken on purpose')\n")
    done = run("/src/brimful/deploy/upgrade")
    assert done.returncode == 2, done.stderr
    assert current.readlink() == second

    done = run("/src/brimful/deploy/uninstall")
    assert done.returncode == 0, done.stderr
    assert ledger.exists()
    done = run("/src/brimful/deploy/uninstall", "--purge", "--yes")
    assert done.returncode == 0, done.stderr
    assert not ledger.parent.exists()
    assert "brimful" not in (root / "etc/passwd").read_text()
