"""Long work in a process of its own: started with an order, followed as it goes, ended when it takes too long.

The process gets its order as JSON on stdin and says what it does on stdout, a JSON line at a time: {"done": share},
{"fault": text} or {"outcome": pickled, in base 64}, so that texts come with their parts.
"""

import json
import logging
import os
import pickle
import resource
import subprocess
import sys
import threading
from base64 import b64decode, b64encode
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TextIO

from rules.model.errors import BrimfulError

log = logging.getLogger(__name__)
_NICE = 10


class Apart:
    """One piece of work under way. Its state may be read from any thread.

    module: what `python -m` runs; order: what it gets; longest_s: how long it may take; done: the share, 0 to 1;
    found: its outcome; fault: why there is none.
    """

    def __init__(self, module: str, order: Mapping[str, Any], longest_s: float) -> None:
        self.done = 0.0
        self.found: dict[str, Any] | None = None
        self.fault = ""
        self._what = module.rpartition(".")[2]
        self._process = subprocess.Popen(
            [sys.executable, "-m", module],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            cwd=Path(__file__).parents[2],
        )
        self._ended = threading.Event()
        self._clock = threading.Timer(longest_s, self._too_long, [longest_s])
        self._clock.daemon = True
        self._clock.start()
        threading.Thread(target=self._follow, args=(order,), name="trial", daemon=True).start()

    @property
    def ended(self) -> bool:
        """Whether it has come to its end, well or not."""
        return self._ended.is_set()

    def wait(self, timeout_s: float) -> bool:
        """Wait for the end; whether it has come."""
        return self._ended.wait(timeout_s)

    def stop(self) -> None:
        """End it now."""
        if not self._ended.is_set():
            self.fault = self.fault or "it was stopped"
            self._process.kill()

    def _too_long(self, longest_s: float) -> None:
        self.fault = f"it took longer than {longest_s:g} s and was ended"
        self._process.kill()

    def _follow(self, order: Mapping[str, Any]) -> None:
        try:
            with self._process as process:
                assert process.stdin is not None
                assert process.stdout is not None
                with process.stdin as stdin:
                    json.dump(order, stdin)
                self._listen(process.stdout)
            code = process.returncode
            if self.found is None and not self.fault:
                self.fault = f"it ended with exit {code}"
        except (OSError, ValueError, KeyError, TypeError) as failed:
            self.fault = self.fault or f"it failed: {failed}"
        finally:
            self._clock.cancel()
            if self.fault:
                log.warning("%s=failed %s", self._what, self.fault)
            self._ended.set()

    def _listen(self, lines: Iterator[str]) -> None:
        for line in lines:
            match json.loads(line):
                case {"done": done}:
                    self.done = float(done)
                case {"fault": fault}:
                    self.fault = str(fault)
                case {"outcome": found}:
                    self.found = pickle.loads(b64decode(found))  # of our own process: nobody else writes there
                    self.done = 1.0


@dataclass(slots=True)
class Teller:
    """Writes a line for each hundredth that is done."""

    out: TextIO
    last: int = field(default=-1)

    def __call__(self, done: float) -> None:
        hundredth = int(done * 100)
        if hundredth > self.last:
            self.last = hundredth
            self.tell({"done": hundredth / 100})

    def tell(self, line: Mapping[str, Any]) -> None:
        print(json.dumps(line), file=self.out, flush=True)


def work(
    into: TextIO, out: TextIO, do: Callable[[Mapping[str, Any], Teller], Mapping[str, Any]], most_bytes: int = 0
) -> None:
    """What such a process does: take the order, do it, say what came of it. most_bytes: of memory; 0 for any."""
    os.nice(_NICE)  # what controls goes first
    if most_bytes:
        _, hard = resource.getrlimit(resource.RLIMIT_AS)
        resource.setrlimit(resource.RLIMIT_AS, (most_bytes, hard))
    teller = Teller(out)
    try:
        teller.tell({"outcome": b64encode(pickle.dumps(do(json.load(into), teller))).decode()})
    except BrimfulError as refused:
        teller.tell({"fault": str(refused)})
    except MemoryError:
        teller.tell({"fault": f"it took more than {most_bytes / 2**20:.0f} MiB of memory and was ended"})
