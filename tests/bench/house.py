"""A house to be measured: `brimful run` in a process of its own on a broker, and a bare client beside it."""

import json
import subprocess
import sys
import threading
import time
from pathlib import Path

from measure import REPOSITORY

from daemon.web.api.client import NotRunning, ask
from tests.support.broker import TIMEOUT_S, Inbox, Mosquitto, free_port

HOME = Path(__file__).with_name("home.toml")
LEVEL, METER, ORDER = "house/tank", "house/meter", "house/diverter/permit"
WITHHOLD, SURPLUS = b"0", b"1"
BRIMFUL = (sys.executable, "-c", "from daemon.cli import main; main()")
AS_DEPLOYED = (sys.executable, "-c", "import sys; sys.modules['numpy'] = None; from daemon.cli import main; main()")
"""Without numpy, which only the tests' environment has, and which the time-series client loads where it finds it."""
QUIET_BROKER = "max_queued_messages 0\nlog_type none"
"""Nothing is dropped for a subscriber that is slower than the publisher, and no message is logged."""
PEAK = "price = 0.2100"
"""At that export price diverting is not worth it, and a live measurement on a weekday's evening would see no order."""


class House:
    """A running daemon with the home file of the measurements, in `folder`, on `broker`.

    more: lines added to the home file; without: a line taken out of it for each text given.
    """

    def __init__(self, folder: Path, broker: Mosquitto, more: str = "", without: tuple[str, ...] = ()) -> None:
        folder.mkdir(exist_ok=True)
        self.file = folder / "home.toml"
        text = HOME.read_text(encoding="utf-8")
        for table in without:
            head, _, rest = text.partition(f"[{table}]\n")
            text = head + rest[rest.index("\n[") + 1 :]
        assert PEAK in text
        text = text.replace(PEAK, "price = 0.0650")
        self.port = free_port()
        own = f'[broker]\nhost = "127.0.0.1"\nport = {broker.port}\n[api]\nport = {self.port}\n{more}'
        self.file.write_text(f"{text}\n{own}", encoding="utf-8")
        self.log = folder / "log"
        with self.log.open("wb") as log:
            self._process = subprocess.Popen(
                [*AS_DEPLOYED, "run", str(self.file)], stdout=log, stderr=log, cwd=REPOSITORY
            )

    @property
    def pid(self) -> int:
        return self._process.pid

    def wait_up(self) -> None:
        """Until the daemon has both its links. Raises RuntimeError with its log."""
        give_up_s = time.monotonic() + TIMEOUT_S
        while time.monotonic() < give_up_s and self._process.poll() is None:
            try:
                links = self.health()["links"]
            except NotRunning:
                links = {}
            if len(links) == 2 and all(link["up"] for link in links.values()):
                return
            time.sleep(0.02)
        raise RuntimeError(self.log.read_text(errors="replace"))

    def health(self) -> dict:
        return ask(self.file, "GET", "/api/health")

    def value(self) -> dict:
        """The total of `brimful value`."""
        command = [*BRIMFUL, "value", "--json", "--home", str(self.file)]
        done = subprocess.run(command, check=True, capture_output=True, cwd=REPOSITORY)
        return json.loads(done.stdout)["total"]

    def stop(self) -> None:
        """End it as a service manager does, and wait."""
        self._process.terminate()
        self._process.wait(TIMEOUT_S)

    def __enter__(self) -> "House":
        return self

    def __exit__(self, *_: object) -> None:
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait()


class Bare:
    """A bare client in a process of its own: Python text that gets the broker's port and more arguments.

    It says "ready" once it is subscribed.
    """

    def __init__(self, code: str, broker: Mosquitto, *arguments: object) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-c", code, str(broker.port), *map(str, arguments)], stdout=subprocess.PIPE, text=True
        )
        assert self._process.stdout is not None
        self.said = Inbox()
        threading.Thread(target=self._listen, args=(self._process.stdout,), daemon=True).start()
        self.said.wait(lambda line: line == "ready")

    def _listen(self, lines: object) -> None:
        for line in lines:  # type: ignore[attr-defined]
            self.said.put(line.strip())

    def __enter__(self) -> "Bare":
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.wait()
        assert self._process.stdout is not None
        self._process.stdout.close()
