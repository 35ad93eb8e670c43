"""A Debian of its own in a folder, with the project in it: entered by chroot, or booted with systemd as process 1."""

import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.support.homes import SMALL

REPO = Path(__file__).parents[2]
SOURCE = "/src/brimful"
HOME = "/src/home.toml"
PATH = "/usr/sbin:/usr/bin:/sbin:/bin"
CERTIFICATES = "/etc/ssl/certs/ca-certificates.crt"
SETTINGS = ("env", "-i", f"PATH={PATH}", "HOME=/", "LANG=C.UTF-8", f"PIP_CERT={CERTIFICATES}")
PARTS = ("rules", "accounting", "daemon", "deploy", "pyproject.toml", "README.md")
_WITHIN_S = 1800
_BOOT_S = 180
_NAMESPACES = ("--cgroup", "--mount", "--uts", "--ipc", "--pid", "--fork")
_BOOT = r"""
echo $$ >"$1/cgroup.procs"
exec unshare --cgroup --mount --uts --ipc --pid --fork --kill-child bash -ec '
mount --bind "$0" "$0"
cd -- "$0"
mount -t proc proc proc
mount -t sysfs -o ro,nosuid,nodev,noexec sysfs sys
mount -t cgroup2 cgroup2 sys/fs/cgroup
mount -t tmpfs -o mode=755 tmpfs run
mount -t tmpfs -o mode=1777 tmpfs tmp
mount -t tmpfs -o mode=755 tmpfs dev
for node in null zero full random urandom tty; do touch "dev/$node"; mount --bind "/dev/$node" "dev/$node"; done
mkdir dev/pts dev/shm
mount -t devpts -o newinstance,ptmxmode=0666 devpts dev/pts
mount -t tmpfs tmpfs dev/shm
ln -s pts/ptmx dev/ptmx
ln -s /proc/self/fd dev/fd
mkdir -p .before
pivot_root . .before
cd /
umount -l .before
exec env -i container=trial PATH=/usr/sbin:/usr/bin:/sbin:/bin LANG=C.UTF-8 /lib/systemd/systemd --system
' "$2"
"""
"""Boots a root. $1: a cgroup for it; $2: the root. It has the machine's network, and nothing else of it."""


def debian(root: Path, *packages: str, suite: str | None = None) -> Path:
    """A Debian in a new folder, with Python. suite: None for that of this machine. Skips where none can be made."""
    if os.getuid() != 0 or shutil.which("debootstrap") is None:
        pytest.skip("needs root and debootstrap (package debootstrap)")
    asked = ["apt-get", "indextargets", "--format", "$(REPO_URI) $(CODENAME)", "Created-By: Packages"]
    mirror, ours = subprocess.run(asked, capture_output=True, text=True, check=True).stdout.splitlines()[0].split()
    with root.with_name(f"{root.name}.log").open("w") as log:
        include = f"--include={','.join(('python3', 'python3-venv', 'ca-certificates', *packages))}"
        command = ["debootstrap", "--variant=minbase", include, suite or ours, str(root), mirror]
        subprocess.run(command, check=True, stdout=log, stderr=log, timeout=_WITHIN_S)
    shutil.copy("/etc/resolv.conf", root / "etc")
    shutil.copy(CERTIFICATES, root / "etc/ssl/certs")
    return root


def bootstrap(folder: Path, *packages: str, suite: str | None = None) -> Path:
    """A Debian with the project and a small home file in it, below a folder."""
    root = debian(folder / "root", *packages, suite=suite)
    for part in PARTS:
        where = root / SOURCE[1:] / part
        if (REPO / part).is_dir():
            shutil.copytree(REPO / part, where, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            where.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(REPO / part, where)
    (root / HOME[1:]).write_text(f'{SMALL}\n[broker]\nhost = "127.0.0.1"\nport = 9\n')
    return root


class Machine:
    """A booted root. init: the process in whose namespaces its process 1 runs."""

    def __init__(self, init: int) -> None:
        self.init = init

    def run(self, *command: str) -> subprocess.CompletedProcess[str]:
        """A command of root's in it, whatever it returns."""
        enter = ["nsenter", "--target", str(self.init), "--all", "--", *SETTINGS, *command]
        return subprocess.run(enter, capture_output=True, text=True, timeout=_WITHIN_S, check=False)

    def shown(self, name: str) -> str:
        """A property of brimful's service."""
        return self.run("systemctl", "show", "--value", f"--property={name}", "brimful").stdout.strip()


@contextmanager
def booted(root: Path) -> Iterator[Machine]:
    """The root as a machine that has started, with systemd as its process 1. Skips where the kernel forbids that."""
    cgroup = _cgroup()
    starting = subprocess.Popen(
        ["bash", "-ec", _BOOT, "boot", str(cgroup), str(root)], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL
    )
    try:
        machine = Machine(_process_1(starting))
        until = time.monotonic() + _BOOT_S
        while (state := machine.run("systemctl", "is-system-running", "--wait").stdout.strip()) not in _STARTED:
            assert time.monotonic() < until, f"it did not start: {state}"
            time.sleep(0.2)
        yield machine
    finally:
        starting.kill()  # and with it, by --kill-child, its process 1 and all below that
        starting.wait()
        _clear(cgroup)


_STARTED = ("running", "degraded")


def _cgroup() -> Path:
    """A new cgroup (version 2), after a look whether namespaces can be made at all."""
    tried = subprocess.run(["unshare", *_NAMESPACES, "true"], capture_output=True, text=True, check=False)
    if tried.returncode:
        pytest.skip(f"no machine can be started within this one: {tried.stderr.strip()}")
    mounts = [line.split() for line in Path("/proc/self/mounts").read_text().splitlines()]
    found = [Path(fields[1]) for fields in mounts if fields[2] == "cgroup2"]
    if not found:
        pytest.skip("no machine can be started within this one: no cgroups of version 2 are mounted")
    cgroup = found[0] / f"brimful-test-{os.getpid()}"
    try:
        cgroup.mkdir()
    except OSError as forbidden:
        pytest.skip(f"no machine can be started within this one: {forbidden}")
    return cgroup


def _process_1(starting: "subprocess.Popen[bytes]") -> int:
    """The process that is 1 in there, once it is systemd."""
    children = Path(f"/proc/{starting.pid}/task/{starting.pid}/children")
    until = time.monotonic() + _BOOT_S
    while time.monotonic() < until:
        assert starting.poll() is None, "it could not be started; see the errors above"
        for child in children.read_text().split():
            if Path(f"/proc/{child}/comm").read_text().strip() == "systemd":
                return int(child)
        time.sleep(0.05)
    raise AssertionError("systemd did not start")


def _clear(cgroup: Path) -> None:
    """Takes the cgroup and all below it away, once their last processes are gone."""
    until = time.monotonic() + 30
    while "populated 1" in (cgroup / "cgroup.events").read_text() and time.monotonic() < until:
        time.sleep(0.05)
    for folder, _, _ in os.walk(cgroup, topdown=False):
        Path(folder).rmdir()
