"""Asking the running daemon. Light on purpose: `brimful why` must answer at once."""

import json
import tomllib
from contextlib import suppress
from hashlib import blake2b
from http.client import HTTPConnection, HTTPException
from pathlib import Path
from typing import Any

from daemon.config.bind_address import BIND_ADDRESS, is_bind_address
from rules.model.errors import BrimfulError

BIND = "127.0.0.1"
PORT = 8731
LEDGER = "brimful.sqlite"
_EVERYWHERE = {"0.0.0.0": "127.0.0.1", "::": "::1"}
WITHIN_S = 8.0
HOME_HEADER = "Brimful-Home"
"""By which a question says which home it is meant for, and each answer which home it comes from."""


class NotRunning(BrimfulError):
    """No daemon answers at the home's address."""


class Silent(BrimfulError):
    """Something holds the home's address, but does not answer in time."""


class Refused(BrimfulError):
    """The daemon's own error, in its own words."""

    def __init__(self, error: dict[str, Any]) -> None:
        super().__init__(*(str(error.get(part, "")) for part in ("op", "subject", "cause", "hint")))
        self._text = str(error.get("text", "")) or super().__str__()

    def __str__(self) -> str:
        return self._text


def address(home: Path) -> tuple[str, int]:
    """Where the home's daemon listens, read from its file without validating the rest.

    Raises BrimfulError when the file cannot be read at all, or holds no such address.
    """
    op = "read the home file"
    try:
        text = home.read_bytes().decode("utf-8")
        if text.startswith("\ufeff"):
            cause = "expected UTF-8 text, got a byte-order mark before it"
            raise BrimfulError(op, str(home), cause, "save the file without one")
        table = tomllib.loads(text).get("api", {})
    except OSError as missing:
        found = "none there" if isinstance(missing, FileNotFoundError) else missing.strerror
        hint = "name another with --home, or set BRIMFUL_HOME"
        raise BrimfulError(op, str(home), f"expected a home file, got {found}", hint) from missing
    except UnicodeDecodeError as wrong:
        cause = f"expected UTF-8 text, got the byte 0x{wrong.object[wrong.start]:02x}"
        raise BrimfulError(op, str(home), cause, "save the file as UTF-8") from wrong
    except (ValueError, RecursionError) as broken:
        raise BrimfulError(op, str(home), f"expected TOML, got a mistake: {broken}") from broken
    if not isinstance(table, dict):
        raise BrimfulError(op, "api", f"expected a table, got {table!r:.60} ({home.name})")
    bind, port = table.get("bind", BIND), table.get("port", PORT)
    if type(port) is not int or not 0 < port < 65_536:
        raise BrimfulError(op, "api.port", f"expected a whole number 1–65535, got {port!r:.60} ({home.name})")
    if not isinstance(bind, str) or not is_bind_address(bind):
        raise BrimfulError(op, "api.bind", f"expected {BIND_ADDRESS}, got {bind!r:.60} ({home.name})")
    return bind, port


def token_file(ledger: Path) -> Path:
    """Where the daemon keeps the token by which it knows the machine's own user: beside the ledger."""
    return ledger.with_name(f"{ledger.name}.api-token")


def identity(home_file: Path, token: str) -> str:
    """A home's identity: a digest of its token ("-" where that is not known), and one of its home file's place.

    Either will do: a container sees the file at another place, and a home that never ran has no token yet.
    """
    digests = (blake2b(part.encode(), digest_size=8).hexdigest() for part in (token, str(home_file.resolve())))
    of_token, of_file = digests
    return f"{of_token if token else '-'} {of_file}"


def same_home(one: str, other: str) -> bool:
    """Whether two identities are one home's."""
    return any(a == b != "-" for a, b in zip(one.split(), other.split(), strict=False))


def _token(home: Path) -> str:
    """The token of the home's daemon; "" where it cannot be read: the daemon says then what is missing."""
    try:
        ledger = tomllib.loads(home.read_text(encoding="utf-8")).get("ledger", {}).get("path", LEDGER)
        return token_file(home.parent / str(ledger)).read_text(encoding="ascii").strip()
    except (OSError, ValueError, AttributeError):
        return ""


def ask(home: Path, method: str, path: str, arguments: dict[str, Any] | None = None) -> dict[str, Any]:
    """One question to the daemon of this home. Raises NotRunning, Silent, or Refused, the daemon's own error."""
    bind, port = address(home)
    connection = HTTPConnection(_EVERYWHERE.get(bind, bind), port, timeout=WITHIN_S)
    try:
        body = None if arguments is None else json.dumps(arguments)
        token = _token(home)
        headers = {HOME_HEADER: identity(home, token)}
        if body:
            headers["Content-Type"] = "application/json"
        if token:
            headers["Authorization"] = f"Bearer {token}"
        connection.request(method, path, body, headers)
        response = connection.getresponse()
        content = json.loads(response.read())
    except TimeoutError as late:
        raise Silent(
            "ask the daemon",
            f"{bind}:{port}",
            f"expected an answer within {WITHIN_S:g} s, got none",
            "a daemon that hangs is ended by its watchdog after 30 s; see its log",
        ) from late
    except (OSError, HTTPException, ValueError) as silent:
        raise NotRunning(
            "ask the daemon",
            f"{bind}:{port}",
            f"expected the running daemon, got {_words(silent)}",
            f"start it with: brimful run {home}",
        ) from silent
    finally:
        connection.close()
    if response.status == 200 and isinstance(content, dict):
        return content
    error = content.get("error") if isinstance(content, dict) else None
    raise Refused(error if isinstance(error, dict) else {"subject": path, "cause": f"status {response.status}"})


def have_written(home: Path) -> None:
    """Have the home's daemon, if one runs, write the interval in progress, for who reads the ledger next."""
    with suppress(BrimfulError):
        ask(home, "GET", "/api/written")


def _words(silent: Exception) -> str:
    reason = silent.strerror if isinstance(silent, OSError) and silent.strerror else str(silent)
    return reason.lower() or type(silent).__name__
