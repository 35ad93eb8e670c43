"""The broker brimful brings along where the home file names none: on loopback, with a password of its own.

Mosquitto as a child process where its program is installed, else the broker of the `iotcore` package, also as a child:
that one speaks MQTT 3.1.1 on this listener, knows no topic rules, and takes some 40 ms over a QoS 1 exchange.
Either is started again if it dies, and ends with this process, however that ends (on Linux; elsewhere if it ends in
good order).
"""

import base64
import hashlib
import logging
import os
import pwd
import secrets
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from types import TracebackType
from typing import Literal

from daemon.mqtt.address import BrokerAddress
from rules.model.errors import BrimfulError

log = logging.getLogger(__name__)

Kind = Literal["mosquitto", "iotcore"]

USERNAME = "brimful"
_HOST = "127.0.0.1"
_START_S = 15.0
_STOP_S = 5.0
_FIRST_WAIT_S = 0.2
_LONGEST_WAIT_S = 30.0
_STEADY_S = 60.0
_PORT_TRIES = 3
_TAKEN = "the port is taken by another program"
_SERVICE_USER = "mosquitto"
_RUN = "/run"

# Run in the child before it becomes the broker. The signal for the parent's death is lost when a process changes its
# user, so the user comes first; the parent may have died before the signal was asked for, so it is looked for after.
_LAUNCH = """
import ctypes, os, signal, sys
parent, uid, gid = map(int, sys.argv[1:4])
if uid >= 0:
    os.setgroups([])
    os.setgid(gid)
    os.setuid(uid)
if sys.platform == "linux":
    ctypes.CDLL(None).prctl(1, signal.SIGTERM)  # 1: PR_SET_PDEATHSIG
if os.getppid() != parent:
    sys.exit(0)
"""
_BECOME = _LAUNCH + "os.execv(sys.argv[4], sys.argv[4:])\n"
_SERVE = (
    _LAUNCH
    + """
import logging
logging.disable(logging.CRITICAL)
from iotcore import Broker
Broker(config_path=sys.argv[4]).run_forever()
"""
)

_MOSQUITTO = """
listener {port} {host}
allow_anonymous false
password_file {folder}/passwords
persistence false
set_tcp_nodelay true
max_queued_messages 10000
log_dest stderr
log_type error
"""

# Segments are the broker's memory for what it has not yet delivered: without a bound it grows.
_IOTCORE = """
id = 0
[router]
id = 0
max_connections = 200
max_outgoing_packet_count = 200
max_segment_size = 1048576
max_segment_count = 3
[v4.1]
name = "brimful"
listen = "{host}:{port}"
next_connection_delay_ms = 1
[v4.1.connections]
connection_timeout_ms = 5000
max_payload_size = 262144
max_inflight_count = 100
dynamic_filters = true
[v4.1.connections.auth]
"{username}" = "{password}"
"""


def find_mosquitto() -> str | None:
    """Path of the mosquitto program, None if there is none."""
    # Debian puts it where an ordinary user's PATH does not look.
    return shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


class EmbeddedBroker:
    """A broker for the length of a `with` block.

    port: None takes a free one; kind: None takes Mosquitto where installed, else iotcore. username, password:
    what clients must give; the password is random unless given (plain letters and digits are safest).
    Entering raises BrimfulError if the port is taken or the broker does not start.
    """

    def __init__(
        self,
        port: int | None = None,
        kind: Kind | None = None,
        username: str = USERNAME,
        password: str | None = None,
    ) -> None:
        self._program = None if kind == "iotcore" else find_mosquitto()
        if kind == "mosquitto" and self._program is None:
            raise BrimfulError("start the broker", "broker", "the mosquitto program was not found", "install it")
        self.kind: Kind = "iotcore" if self._program is None else "mosquitto"
        self._wanted_port = port
        self._port = 0
        self._username = username
        self._password = password or secrets.token_hex(16)
        self._process: subprocess.Popen[bytes] | None = None
        self._ready = threading.Event()
        self._stopping = threading.Event()
        self._failure = ""
        self._thread: threading.Thread | None = None
        self.restarts = 0

    @property
    def address(self) -> BrokerAddress:
        """How to reach it, with its password."""
        return BrokerAddress(_HOST, self._port, self._username, self._password, mqtt5=self.kind == "mosquitto")

    @property
    def pid(self) -> int | None:
        """Process id of the child, None while there is none."""
        process = self._process
        return None if process is None or process.poll() is not None else process.pid

    def __enter__(self) -> "EmbeddedBroker":
        # The child is tied to the thread that makes it, so that thread lives as long as the broker.
        self._thread = threading.Thread(target=self._supervise, name="broker", daemon=True)
        self._thread.start()
        self._ready.wait()
        if self._failure:
            self._thread.join()
            hint = ""
            if self._failure == _TAKEN:
                table = f'[broker] with host = "{_HOST}" and port = {self._port}'
                hint = f"if that is your broker, name it in the home file: {table}; else free the port"
            raise BrimfulError("start the broker", f"{_HOST}:{self._port or self._wanted_port}", self._failure, hint)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stopping.set()
        process = self._process
        if process is not None:
            process.terminate()
        if self._thread is not None:
            self._thread.join(_STOP_S + 1.0)

    # The supervising thread

    def _supervise(self) -> None:
        try:
            self._failure = self._first_start()
        except Exception as error:
            self._failure = f"could not be started: {error}"
        if self._failure:
            self._end()
        self._ready.set()
        failures = 0
        while self._process is not None and not self._stopping.is_set():
            started_s = time.monotonic()
            code = self._process.wait()
            if self._stopping.is_set():
                break
            failures = 0 if time.monotonic() - started_s > _STEADY_S else failures + 1
            log.warning("broker=%s ended with code %s and is started again", self.kind, code)
            self._start_again(failures)
        self._end()

    def _first_start(self) -> str:
        for _ in range(_PORT_TRIES):
            self._port = self._wanted_port if self._wanted_port is not None else _free_port()
            if not _is_free(self._port):
                failure = _TAKEN
            else:
                failure = self._start()
                if not failure:
                    return ""
            if self._wanted_port is not None:
                break
        return failure

    def _start_again(self, failures: int) -> None:
        while not self._stopping.wait(min(_LONGEST_WAIT_S, _FIRST_WAIT_S * 2.0 ** min(failures, 10))):
            try:
                failure = self._start()
            except Exception as error:  # whatever it is, the house is without a broker until a later attempt works
                failure = str(error)
            if not failure:
                self.restarts += 1
                return
            failures += 1
            log.warning("broker=%s does not start: %s", self.kind, failure)

    def _start(self) -> str:
        """Start the child and wait until it answers; "" or why it did not. Its files are gone when this returns."""
        folder = Path(tempfile.mkdtemp(prefix="brimful-broker-", dir=_temporary_folder()))
        try:
            with open(folder / "log", "w+b") as output:
                # In a group of its own: Ctrl-C is for us, and our last order goes over this broker.
                process = self._process = subprocess.Popen(
                    self._command(folder),
                    stdin=subprocess.DEVNULL,
                    stdout=output,
                    stderr=output,
                    cwd="/",
                    process_group=0,
                )
                answered = self._wait_for_answer(process)
                if answered or self._stopping.is_set():
                    return ""
                self._end()
                output.seek(0)
                said = output.read(4096).decode("utf-8", "replace").strip().splitlines()
                return f"the broker ended at once{': ' + said[-1] if said else ''}"
        finally:
            shutil.rmtree(folder, ignore_errors=True)

    def _command(self, folder: Path) -> list[str]:
        words = {
            "port": self._port,
            "host": _HOST,
            "folder": folder,
            "username": self._username,
            "password": self._password,
        }
        python = [sys.executable, "-c"]
        parent = str(os.getpid())
        if self._program is None:
            config = folder / "broker.toml"
            config.touch(mode=0o600)
            config.write_text(_IOTCORE.format(**words))
            return [*python, _SERVE, parent, "-1", "-1", str(config)]
        config = folder / "mosquitto.conf"
        config.write_text(_MOSQUITTO.format(**words) + _stay_root())
        passwords = folder / "passwords"
        passwords.touch(mode=0o600)
        passwords.write_text(f"{self._username}:{_password_hash(self._password)}\n")
        uid, gid = _service_user()
        if uid >= 0:
            for path in (folder, config, passwords):
                os.chown(path, uid, gid)
        return [*python, _BECOME, parent, str(uid), str(gid), self._program, "-c", str(config)]

    def _wait_for_answer(self, process: "subprocess.Popen[bytes]") -> bool:
        give_up_s = time.monotonic() + _START_S
        while time.monotonic() < give_up_s and not self._stopping.is_set() and process.poll() is None:
            try:
                socket.create_connection((_HOST, self._port), timeout=1.0).close()
                return True
            except OSError:
                self._stopping.wait(0.01)
        return False

    def _end(self) -> None:
        process = self._process
        if process is None:
            return
        process.terminate()
        try:
            process.wait(_STOP_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        self._process = None


def _temporary_folder() -> str | None:
    """Where root's files go: the service user may not be able to reach root's own temporary folder. None: the usual."""
    return _RUN if os.geteuid() == 0 and os.access(_RUN, os.W_OK | os.X_OK) else None


def _service_user() -> tuple[int, int]:
    """User and group for the child when we are root and the broker's package made a user; else -1, -1: stay."""
    if os.geteuid() != 0:
        return -1, -1
    try:
        entry = pwd.getpwnam(_SERVICE_USER)
    except KeyError:
        return -1, -1
    return entry.pw_uid, entry.pw_gid


def _stay_root() -> str:
    # As root without that user Mosquitto would refuse to start unless a user is named.
    return "user root\n" if os.geteuid() == 0 and _service_user() == (-1, -1) else ""


def _password_hash(password: str) -> str:
    """A line's second part in Mosquitto 2's password file: PBKDF2 with SHA-512, as mosquitto_passwd writes it."""
    rounds, salt = 101, secrets.token_bytes(12)
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, rounds)
    return f"$7${rounds}${base64.b64encode(salt).decode()}${base64.b64encode(digest).decode()}"


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((_HOST, 0))
        port: int = probe.getsockname()[1]
        return port


def _is_free(port: int) -> bool:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((_HOST, port))
        except OSError:
            return False
        return True
