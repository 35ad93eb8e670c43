"""The service under a systemd of its own: process 1 of a Debian of its own, with the packages from the registry.

Needs root, debootstrap, the registries, and a kernel that lets a process have namespaces and a cgroup. The machine in
the root is given no memory controller and no clock of its own; everything else of the unit file is in force.
"""

import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.support.broker import free_port
from tests.support.debian_root import HOME, SOURCE, Machine, booted, bootstrap

pytestmark = [pytest.mark.services, pytest.mark.long]
DEPLOY = f"{SOURCE}/deploy"
WITHIN_S = 300.0


@pytest.fixture
def root(tmp_path: Path) -> Iterator[Path]:
    place = bootstrap(tmp_path, "systemd", "systemd-sysv")
    with (place / HOME[1:]).open("a") as home:
        home.write(f"[api]\nport = {free_port()}\n")
    yield place
    shutil.rmtree(place)


def wait_for(what: Callable[[], bool]) -> None:
    until = time.monotonic() + WITHIN_S
    while not what():
        assert time.monotonic() < until
        time.sleep(0.2)


def active(machine: Machine, version: Path) -> bool:
    """Whether the service runs, says what it does, and is of that version."""
    program = machine.run("readlink", f"/proc/{machine.shown('MainPID')}/cwd", "/opt/brimful/current").stdout.split()
    return (
        machine.shown("ActiveState") == "active"
        and machine.shown("StatusText").startswith("Heater off")
        and program == ["/var/lib/brimful", str(version)]
    )


def test_the_service_starts_is_started_again_is_upgraded_goes_back_and_leaves(root: Path) -> None:
    current = root / "opt/brimful/current"
    with booted(root) as machine:
        done = machine.run(f"{DEPLOY}/install", "--home", HOME)
        assert done.returncode == 0, done.stderr
        assert "the service runs, and starts with the machine" in done.stderr
        first = current.readlink()
        assert active(machine, first), machine.run("journalctl", "--unit=brimful").stdout
        assert machine.run("runuser", "-u", "brimful", "--", "/usr/local/bin/brimful", "why").stdout.startswith(
            "Heater off"
        )

        killed = machine.shown("MainPID")
        done = machine.run("systemctl", "kill", "--kill-whom=main", "--signal=KILL", "brimful")
        assert done.returncode == 0, done.stderr
        wait_for(lambda: machine.shown("NRestarts") == "1" and machine.shown("ActiveState") == "active")
        assert machine.shown("MainPID") != killed

        assert machine.run("systemctl", "stop", "brimful").returncode == 0
        assert (machine.shown("ActiveState"), machine.shown("Result")) == ("inactive", "success")
        assert machine.shown("ExecMainStatus") == "0"

    with booted(root) as machine:  # the machine is switched on again
        wait_for(lambda: active(machine, first))

        with (root / SOURCE[1:] / "daemon/__init__.py").open("a") as later:
            later.write("# a later version\n")
        done = machine.run(f"{DEPLOY}/upgrade")
        assert done.returncode == 0, done.stderr
        second = current.readlink()
        assert second != first
        assert active(machine, second)

        with (root / SOURCE[1:] / "daemon/runtime/service.py").open("a") as broken:
            broken.write("raise SystemExit('broken on purpose')\n")
        done = machine.run(f"{DEPLOY}/upgrade")
        assert done.returncode == 1, done.stderr
        assert "the new version's service does not start" in done.stderr
        assert current.readlink() == second
        assert active(machine, second)

        done = machine.run(f"{DEPLOY}/uninstall")
        assert done.returncode == 0, done.stderr
        assert machine.shown("LoadState") == "not-found"
        assert (root / "var/lib/brimful/brimful.sqlite").exists()
        done = machine.run(f"{DEPLOY}/uninstall", "--purge", "--yes")
        assert done.returncode == 0, done.stderr
        assert not (root / "var/lib/brimful").exists()
