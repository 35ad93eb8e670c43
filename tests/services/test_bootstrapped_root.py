"""deploy/install, upgrade and uninstall in a Debian of their own, with the locked packages from the registry.

Needs root, debootstrap and the registries. As in a container, no systemd runs here: `test_booted_root.py` has it.
"""

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from accounting.ledger.schema import MIGRATIONS
from tests.support.debian_root import SETTINGS, bootstrap
from tests.support.old_ledger import load

pytestmark = [pytest.mark.services, pytest.mark.long]
ENTER = 'mount -t proc proc "$0/proc" && mount --bind /dev "$0/dev" && exec chroot "$0" "$@"'
SCHEMA = len(MIGRATIONS)


@pytest.fixture
def root(tmp_path: Path) -> Iterator[Path]:
    place = bootstrap(tmp_path)
    yield place
    shutil.rmtree(place)


def test_a_machine_is_installed_upgraded_and_cleared(root: Path) -> None:
    def run(*command: str) -> subprocess.CompletedProcess[str]:
        enter = ["unshare", "--mount", "--pid", "--fork", "bash", "-c", ENTER, str(root)]
        return subprocess.run([*enter, *SETTINGS, *command], capture_output=True, text=True, timeout=1800, check=False)

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
