"""Real time-series servers on loopback, each in a folder of its own. A missing program is a failure, not a skip."""

import json
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import urllib3

_START_S = 30.0


@dataclass(slots=True)
class Server:
    """A running server, and how to read back what it holds. It can be killed and started again on the same data."""

    url: str
    command: list[str]
    folder: Path
    health: str
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        log = (self.folder / "log").open("ab")
        try:
            self.process = subprocess.Popen(self.command, stdout=log, stderr=log, cwd=self.folder)
        finally:
            log.close()
        end = time.monotonic() + _START_S
        while self.process.poll() is None and time.monotonic() < end:
            try:
                if self.get(self.health).status < 300:
                    return
            except urllib3.exceptions.HTTPError:
                time.sleep(0.05)
        self.stop()
        raise AssertionError(f"{self.command[0]} does not start:\n{(self.folder / 'log').read_text()[-2000:]}")

    def stop(self, how: signal.Signals = signal.SIGTERM) -> None:
        if self.process is None:
            return
        self.process.send_signal(how)
        try:
            self.process.wait(20)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self.process = None

    def get(self, path: str, **query: str) -> urllib3.BaseHTTPResponse:
        return self._ask("GET", path, query)

    def post(self, path: str, **query: str) -> urllib3.BaseHTTPResponse:
        return self._ask("POST", path, query)

    def _ask(self, method: str, path: str, query: dict[str, str]) -> urllib3.BaseHTTPResponse:
        with urllib3.PoolManager(retries=False, timeout=5.0) as pool:
            return pool.request(method, f"{self.url}{path}?{urlencode(query)}")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@contextmanager
def victoria_metrics(folder: Path, *, user: str = "", password: str = "") -> Iterator[Server]:
    """VictoriaMetrics as deploy/docs/running.md says to run it: nearly no deduplication window, long retention.

    With a user, only that one may enter.
    """
    port = free_port()
    command = [
        _program("victoria-metrics"),
        f"-storageDataPath={folder / 'data'}",
        f"-httpListenAddr=127.0.0.1:{port}",
        "-retentionPeriod=100y",
        "-dedup.minScrapeInterval=1ms",
        "-memory.allowedBytes=64MB",
    ]
    if user:
        command += [f"-httpAuth.username={user}", f"-httpAuth.password={password}"]
    with _running(Server(f"http://127.0.0.1:{port}", command, folder, "/health")) as server:
        yield server


@contextmanager
def influxdb1(folder: Path, *, user: str = "", password: str = "") -> Iterator[Server]:
    """InfluxDB 1 with a database named "brimful"; with a user, only that one may enter."""
    port, internal = free_port(), free_port()
    (folder / "influxdb.conf").write_text(
        f"""reporting-disabled = true
bind-address = "127.0.0.1:{internal}"
[meta]
dir = "{folder / "meta"}"
[data]
dir = "{folder / "data"}"
wal-dir = "{folder / "wal"}"
[monitor]
store-enabled = false
[http]
bind-address = "127.0.0.1:{port}"
auth-enabled = {"true" if user else "false"}
log-enabled = false
"""
    )
    command = [_program("influxd"), "-config", str(folder / "influxdb.conf")]
    with _running(Server(f"http://127.0.0.1:{port}", command, folder, "/ping")) as server:
        login = {}
        if user:
            create = f"CREATE USER {user} WITH PASSWORD '{password}' WITH ALL PRIVILEGES"
            assert server.post("/query", q=create).status == 200
            login = {"u": user, "p": password}
        assert server.post("/query", q="CREATE DATABASE brimful", **login).status == 200
        yield server


def influx_rows(server: Server, query: str, **login: str) -> list[dict[str, Any]]:
    """The rows of an InfluxQL answer, each with its tags and columns."""
    answer = server.get("/query", db="brimful", epoch="s", q=query, **login)
    assert answer.status == 200, answer.data
    series = json.loads(answer.data)["results"][0].get("series", [])
    return [
        one.get("tags", {}) | dict(zip(one["columns"], values, strict=True))
        for one in series
        for values in one["values"]
    ]


def victoria_samples(server: Server, name: str) -> list[tuple[dict[str, str], int, float]]:
    """Every sample of a metric, as labels, UTC second and value."""
    assert server.get("/internal/force_flush").status == 200
    answer = server.get("/api/v1/export", **{"match[]": name})
    assert answer.status == 200, answer.data
    return [
        (one["metric"], at_ms // 1000, value)
        for one in map(json.loads, answer.data.decode().splitlines())
        for at_ms, value in zip(one["timestamps"], one["values"], strict=True)
    ]


@contextmanager
def _running(server: Server) -> Iterator[Server]:
    server.start()
    try:
        yield server
    finally:
        server.stop()


def _program(name: str) -> str:
    found = shutil.which(name, path="/usr/sbin:/usr/bin:/usr/local/bin:/sbin:/bin") or shutil.which(name)
    assert found, f"{name} is not installed; tests/run installs it"
    return found
