"""A real network of two cables to a machine of its own (Linux network namespace), one of which can be made to drop."""

import os
import shutil
import subprocess
from collections.abc import Sequence

HERE, THERE = "198.51.100.1", "198.51.100.2"  # RFC 5737: addresses for documentation, nobody's
HERE_TOO, THERE_TOO = "198.51.100.5", "198.51.100.6"
_NOBODY = "02:00:00:00:00:99"


class Network:
    """Two cables, from HERE to THERE and from HERE_TOO to THERE_TOO, to a namespace in which `prefix` runs a program.

    Needs root and iproute2; entering raises OSError where that is not to be had.
    """

    def __init__(self) -> None:
        self._name = f"brimful{os.getpid()}"
        self._ends = [(f"bf{os.getpid()}{letter}", f"bg{os.getpid()}{letter}") for letter in "ab"]

    @property
    def prefix(self) -> Sequence[str]:
        return ("ip", "netns", "exec", self._name)

    def drop(self) -> None:
        """From now on no packet gets through the first cable, either way, and no end is told."""
        here, there = self._ends[0]
        _ip("neigh", "replace", THERE, "lladdr", _NOBODY, "dev", here, "nud", "permanent")
        _ip("-n", self._name, "neigh", "replace", HERE, "lladdr", _NOBODY, "dev", there, "nud", "permanent")

    def heal(self) -> None:
        here, there = self._ends[0]
        _ip("neigh", "del", THERE, "dev", here)
        _ip("-n", self._name, "neigh", "del", HERE, "dev", there)

    def __enter__(self) -> "Network":
        if os.geteuid() != 0 or shutil.which("ip") is None:
            raise OSError("root and iproute2 are needed")
        _ip("netns", "add", self._name)
        try:
            pairs = ((HERE, THERE), (HERE_TOO, THERE_TOO))
            for (here, there), (near, far) in zip(self._ends, pairs, strict=True):
                _ip("link", "add", here, "type", "veth", "peer", "name", there, "netns", self._name)
                _ip("addr", "add", f"{near}/30", "dev", here)
                _ip("link", "set", here, "up")
                _ip("-n", self._name, "addr", "add", f"{far}/30", "dev", there)
                _ip("-n", self._name, "link", "set", there, "up")
        except OSError:
            self.__exit__()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        for here, _there in self._ends:
            subprocess.run(["ip", "link", "del", here], capture_output=True, check=False)
        subprocess.run(["ip", "netns", "del", self._name], capture_output=True, check=False)


def _ip(*words: str) -> None:
    done = subprocess.run(["ip", *words], capture_output=True, text=True, check=False)
    if done.returncode:
        raise OSError(f"ip {' '.join(words)}: {done.stderr.strip()}")
