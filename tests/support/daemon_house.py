"""`brimful run` as people run it: a process of its own on a small home file, its log, and its command line."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from daemon.mqtt.address import BrokerAddress
from tests.support.broker import Inbox, Mosquitto, free_port

HOME = """
[home]
name = "Wren House"
timezone = "Europe/Dublin"
currency = "EUR"
{broker}
[signals.grid_w]
topic = "wren/meter"
stale_after_s = 600
[signals.tank_level_pct]
topic = "wren/level"   # the cylinder's own figure
[signals.diverted_wh]
topic = "wren/energy"
resolution = 1000
[heaters.main]
kind = "gate"
rated_w = 3000
topic = "wren/permit"
orders = {{ withhold = "no", surplus = "yes" }}
[rules.rest]
minimum_on_s = 0
minimum_off_s = 0

[rules.full]
stop_at_pct = 95    # by level, below the thermostat
resume_below_pct = 88
[api]
port = {api}
"""

PATIENCE_S = 30.0


class House:
    """A home file in a folder, its daemon, and its command line."""

    def __init__(self, folder: Path, broker: Mosquitto | BrokerAddress) -> None:
        self.file = folder / "home.toml"
        self.api_port = free_port()
        self.said: list[str] = []
        self._first = ""
        self.name(broker.address() if isinstance(broker, Mosquitto) else broker)
        self._process: subprocess.Popen[str] | None = None

    def name(self, address: BrokerAddress) -> None:
        """Write the home file anew, with this broker in it, and the password in a file of its own."""
        lines = ["[broker]", f'host = "{address.host}"', f"port = {address.port}"]
        if address.username is not None:
            secret = self.file.with_name("broker-password")
            secret.touch(0o600)
            secret.write_text(f"{address.password}\n")
            lines += [f'username = "{address.username}"', 'password_file = "broker-password"']
        if address.tls:
            lines += ["tls = true", f'ca_file = "{address.ca_file}"']
        self.file.write_text(HOME.format(broker="\n".join(lines), api=self.api_port))

    def name_no_broker(self, port: int) -> None:
        """Leave the broker to the daemon, on a port other than the usual one: that may be taken here."""
        self.file.write_text(HOME.format(broker="", api=self.api_port))
        self._first = f"from daemon.assembly import endpoints; endpoints.BROKER_PORT = {port}; "

    def _command(self, *arguments: str) -> list[str]:
        return [sys.executable, "-c", f"{self._first}from daemon.cli import main; main()", *arguments]

    def start(self, until: str = "link=readings up=True", *options: str) -> None:
        """Start it with these options, and wait for a line of its log; said: what came until then."""
        self.said = []
        self.log = Inbox()
        self._process = subprocess.Popen(
            self._command("run", str(self.file), *options),
            stderr=subprocess.PIPE,
            text=True,
            cwd=Path(__file__).parents[2],
            process_group=0,
        )
        self._reader = threading.Thread(target=self._read, args=(self._process, self.log), daemon=True)
        self._reader.start()
        self.says(until)

    @staticmethod
    def _read(process: "subprocess.Popen[str]", log: Inbox) -> None:
        assert process.stderr is not None
        with process.stderr:
            for line in process.stderr:
                log.put(line)

    def says(self, words: str) -> str:
        """Wait for a line of its log after those waited for before."""
        line = self.log.wait(lambda said: words in str(said), skip=len(self.said))
        self.said = [str(said) for said in self.log.items[: self.log.items.index(line, len(self.said)) + 1]]
        return str(line)

    def has_said(self, words: str) -> str:
        """Wait for a line of its log, which may have come before those waited for."""
        return str(self.log.wait(lambda said: words in str(said)))

    def until(self, holds: Callable[[Any], bool], *question: str) -> Any:
        """Ask until the answer is so, and give it; on a busy machine what was just sent may still be on its way."""
        give_up_s = time.monotonic() + PATIENCE_S
        while True:
            answer = json.loads(self.asks(*question, "--json").stdout)
            if holds(answer):
                return answer
            if time.monotonic() > give_up_s:
                raise AssertionError(f"{question}: still {answer}")

    def knows(self, signal: str, value: float) -> None:
        """Wait until the daemon has heard this."""
        self.until(lambda why: any((one["signal"], one["value"]) == (signal, value) for one in why["inputs"]), "why")

    def end(self, number: signal.Signals, *, group: bool = False) -> int:
        """End it by a signal; its exit code. group: the signal goes to all that it started too, as from a terminal."""
        assert self._process is not None
        process, self._process = self._process, None
        if group:
            os.killpg(process.pid, number)
        else:
            process.send_signal(number)
        try:
            return process.wait(20)
        finally:
            process.kill()
            self._reader.join(20)

    def hup(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGHUP)

    def close(self) -> None:
        if self._process is not None:
            self.end(signal.SIGKILL)

    def asks(self, *arguments: str, code: int = 0) -> subprocess.CompletedProcess[str]:
        done = subprocess.run(
            self._command(*arguments),
            capture_output=True,
            text=True,
            timeout=60,
            cwd=Path(__file__).parents[2],
            env={**os.environ, "BRIMFUL_HOME": str(self.file), "NO_COLOR": "1"},
        )
        assert done.returncode == code, done
        assert "Traceback" not in done.stderr
        return done
