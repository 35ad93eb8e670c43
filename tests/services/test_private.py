"""What stays in the house: no listener beyond this machine, no secret in anything that is written or said."""

import contextlib
import http.server
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.broker import Mosquitto, free_port

pytestmark = pytest.mark.services
ROOT = Path(__file__).parents[2]
MAIN = "from daemon.cli import main; main()"

PASSWORD = "hedge-hare-4471"
TOKEN = "tk-9f3b-quince-0072"

HOME = """
[home]
name = "Elder House"
timezone = "Europe/Dublin"
currency = "EUR"
{broker}
[signals.grid_w]
topic = "elder/meter"
[signals.tank_level_pct]
topic = "elder/level"
[signals.diverted_wh]
topic = "elder/energy"
[heaters.main]
kind = "gate"
rated_w = 3000
topic = "elder/permit"
orders = {{ withhold = "no", surplus = "yes" }}
[ledger]
flush_s = 1
[api]
port = {api}
{more}
"""


@contextlib.contextmanager
def running(home: Path, until: str) -> Iterator[tuple["subprocess.Popen[bytes]", Path]]:
    """`brimful run`, its log in a file; from when the log says `until`."""
    log = home.with_name("log")
    with log.open("wb") as into:
        process = subprocess.Popen([sys.executable, "-c", MAIN, "run", "-v", str(home)], stderr=into, cwd=ROOT)
    try:
        wait_for(log, until)
        yield process, log
        process.send_signal(signal.SIGTERM)
        assert process.wait(20) == 0
    finally:
        process.kill()
        process.wait()


def wait_for(log: Path, words: str) -> None:
    give_up_s = time.monotonic() + 20
    while words not in log.read_text(errors="replace"):
        assert time.monotonic() < give_up_s, log.read_text(errors="replace")
        time.sleep(0.02)


def listening(pid: int) -> set[str]:
    """Addresses at which a process and its children listen, as the kernel tells them."""
    children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    inodes = set()
    for member in (str(pid), *children):
        for handle in Path(f"/proc/{member}/fd").iterdir():
            with contextlib.suppress(OSError):
                inodes |= set(re.findall(r"socket:\[(\d+)\]", os.readlink(handle)))
    found = set()
    for table in ("tcp", "tcp6", "udp", "udp6"):
        for row in Path(f"/proc/net/{table}").read_text().splitlines()[1:]:
            cells = row.split()
            local, state, inode = cells[1], cells[3], cells[9]
            if inode in inodes and (state == "0A" or table.startswith("udp")):
                found.add(local.partition(":")[0])
    return found


@pytest.mark.skipif(not Path("/proc/net/tcp").exists(), reason="the kernel's tables are not to be seen here")
def test_it_listens_on_this_machine_alone(tmp_path: Path) -> None:
    """With the broker that it brings along; 0100007F is 127.0.0.1 as the kernel writes it."""
    home = tmp_path / "home.toml"
    home.write_text(HOME.format(broker="", api=free_port(), more=""))
    with running(home, "link=readings up=True") as (process, _):
        at = listening(process.pid)
    assert at, "the broker and the local interface do listen"
    assert at <= {"0100007F", "00000000000000000000000001000000"}


class Talkative(http.server.BaseHTTPRequestHandler):
    """A database that refuses, and repeats in its answer all it was told."""

    def do_POST(self) -> None:
        body = f"refused: {dict(self.headers)} {self.path}".encode()
        self.send_response(401)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    do_GET = do_POST

    def log_message(self, *_: object) -> None: ...


@pytest.fixture
def database() -> Iterator[str]:
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Talkative)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    thread.join()
    server.server_close()


def test_no_secret_is_written_or_said(tmp_path: Path, database: str) -> None:
    (tmp_path / "broker").mkdir()
    for name, secret in (("password", PASSWORD), ("token", TOKEN)):
        (tmp_path / name).write_text(secret)
        (tmp_path / name).chmod(0o600)
    with Mosquitto(tmp_path / "broker", users={"brimful": PASSWORD}) as broker:
        home = tmp_path / "home.toml"
        home.write_text(
            HOME.format(
                broker=f'[broker]\nhost = "127.0.0.1"\nport = {broker.port}\n'
                'username = "brimful"\npassword_file = "password"',
                api=free_port(),
                more=f'[timeseries]\nkind = "influxdb2"\nurl = "{database}"\norg = "elder"\nbucket = "elder"\n'
                'token_file = "token"',
            )
        )
        said = []
        with running(home, "link=readings up=True") as (_, log):
            at_home = ["--home", str(home)]
            for asked in (
                ["why", "--json", *at_home],
                ["rule", *at_home],
                ["check", "--json", "--seconds", "0.5", str(home)],
            ):
                told = subprocess.run(
                    [sys.executable, "-c", MAIN, *asked],
                    capture_output=True,
                    text=True,
                    cwd=ROOT,
                )
                said += [told.stdout, told.stderr]
        # A wrong password is told of too, and not what it was.
        (tmp_path / "password").write_text(f"not-{PASSWORD}")
        told = subprocess.run(
            [sys.executable, "-c", MAIN, "check", "--seconds", "0.5", str(home)],
            capture_output=True,
            text=True,
            cwd=ROOT,
        )
        assert told.returncode == 1
        said += [told.stdout, told.stderr, log.read_text()]
    assert "Elder House" in said[0], "these are the answers that are meant"
    written = [path for path in tmp_path.rglob("*") if path.is_file() and path.parent.name != "broker"]
    written = [path for path in written if path.name not in ("password", "token")]
    assert any(path.suffix == ".sqlite" for path in written)
    for secret in (PASSWORD, TOKEN):
        assert not any(secret in text for text in said)
        assert not [path for path in written if secret.encode() in path.read_bytes()]
