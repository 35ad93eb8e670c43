"""Passwords and tokens: from files that only their owner can read, or the environment. Never from the home file."""

import os
import secrets
import stat
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import SecretStr

from daemon.config.model import Home, InfluxDb1, VictoriaMetrics
from daemon.config.replacing import put_file
from rules.model.errors import BrimfulError

OP = "read a secret"
BROKER_PASSWORD = "BRIMFUL_BROKER_PASSWORD"
TIMESERIES_TOKEN = "BRIMFUL_TIMESERIES_TOKEN"
PAGE_PASSWORD_HASH = "BRIMFUL_PAGE_PASSWORD_HASH"
TIMESERIES_PASSWORD = "BRIMFUL_TIMESERIES_PASSWORD"
_LARGEST_BYTES = 16_384


def broker_password(home: Home, environment: Mapping[str, str] = os.environ) -> SecretStr | None:
    """The broker's password; None where the home file names no user. Raises BrimfulError."""
    broker = home.broker
    if broker is None or broker.username is None:
        return None
    return read_secret(home, "broker.password_file", broker.password_file, BROKER_PASSWORD, environment)


def timeseries_secret(home: Home, environment: Mapping[str, str] = os.environ) -> SecretStr | None:
    """The time-series database's password where it has users, else its token; None: none set. Raises BrimfulError."""
    series = home.timeseries
    if series is None:
        return None
    if isinstance(series, InfluxDb1) or (isinstance(series, VictoriaMetrics) and series.username is not None):
        key, file, variable = "timeseries.password_file", series.password_file, TIMESERIES_PASSWORD
    else:
        key, file, variable = "timeseries.token_file", series.token_file, TIMESERIES_TOKEN
    return read_secret(home, key, file, variable, environment)


def page_password_hash(home: Home, environment: Mapping[str, str] = os.environ) -> SecretStr | None:
    """The hash of the page's password; None: none set. Raises BrimfulError."""
    key, file = "api.password_file", home.api.password_file
    if file is not None and not environment.get(PAGE_PASSWORD_HASH) and not home.path_of(file).exists():
        cause = f"expected a file at {home.path_of(file)}, found none ({home.file.name})"
        raise BrimfulError(OP, key, cause, f"make it with: brimful password {home.file}")
    found = read_secret(home, key, file, PAGE_PASSWORD_HASH, environment)
    if found is not None and not found.get_secret_value().startswith("$argon2"):
        cause = f"expected the hash of a password, got something else ({home.file.name})"
        raise BrimfulError(OP, key, cause, f"make it with: brimful password {home.file}")
    return found


def kept_secret(file: Path, op: str) -> str:
    """A secret of the machine's own in a file that its owner alone can read, made when it is first wanted.

    op: what it is for, in words. Raises BrimfulError.
    """
    try:
        if not file.exists():
            put_file(file, f"{secrets.token_hex(32)}\n".encode(), 0o600)
        with file.open("rb") as opened:
            mode = os.fstat(opened.fileno()).st_mode
            content = opened.read(_LARGEST_BYTES)
    except OSError as refused:
        cause = f"expected a file that can be kept, got {refused.strerror}"
        raise BrimfulError(op, str(file), cause) from refused
    if mode & (stat.S_IRWXG | stat.S_IRWXO):
        cause = f"expected a file that only its owner can read, got mode {stat.S_IMODE(mode):o}"
        raise BrimfulError(op, str(file), cause, f"chmod 600 {file}")
    return _text(content, str(file), file, "")


def read_secret(
    home: Home, key: str, file: str | None, variable: str, environment: Mapping[str, str] = os.environ
) -> SecretStr | None:
    """A secret from the environment's variable, else from the file; None where neither is given.

    key: the home file's key, for messages; file: path relative to the home file; variable: "" where there is none. One
    trailing line end is dropped. Raises BrimfulError: no such file, readable by others, empty, not text.
    """
    if given := environment.get(variable):
        return SecretStr(given)
    if file is None:
        return None
    content = _private(home, key, home.path_of(file), f", or set {variable}" if variable else "")
    return SecretStr(_text(content, key, home.path_of(file), f"({home.file.name})"))


def plug_in_options(home: Home, key: str, options: Mapping[str, Any], file: str | None) -> dict[str, Any]:
    """What a plug-in gets: its options, and its key from the file as `secret`. Raises BrimfulError."""
    secret = read_secret(home, key, file, "")
    return {**options} if secret is None else {**options, "secret": secret.get_secret_value()}


def read_secret_lines(home: Home, key: str, file: str) -> list[SecretStr]:
    """The lines of a file of secrets, without empty ones and those that begin with #. Raises BrimfulError as
    `read_secret` does, and where there is none."""
    path = home.path_of(file)
    try:
        lines = _private(home, key, path, "").decode("utf-8").splitlines()
    except UnicodeDecodeError:
        lines = []
    held = [line.strip() for line in lines if line.strip() and not line.lstrip().startswith("#")]
    if not held:
        raise BrimfulError(OP, key, f"expected lines of text in {path}, got none ({home.file.name})")
    return [SecretStr(line) for line in held]


def _private(home: Home, key: str, path: Path, or_else: str) -> bytes:
    """What is in a file that its owner alone can read; or_else: another way to give it, for the hint."""
    where = f"({home.file.name})"
    try:
        with path.open("rb") as opened:
            # The open file is asked, not the path: it cannot be exchanged between the question and the reading.
            mode = os.fstat(opened.fileno()).st_mode
            content = opened.read(_LARGEST_BYTES + 1)
    except FileNotFoundError:
        cause = f"expected a file at {path}, found none {where}"
        raise BrimfulError(OP, key, cause, f"write the secret there and chmod 600 it{or_else}") from None
    except OSError as refused:
        raise BrimfulError(OP, key, f"expected a readable file, got {path}: {refused.strerror} {where}") from None
    if mode & (stat.S_IRWXG | stat.S_IRWXO):
        cause = f"expected a file that only its owner can read, got {path} with mode {stat.S_IMODE(mode):o} {where}"
        raise BrimfulError(OP, key, cause, f"chmod 600 {path}")
    return content


def _text(content: bytes, key: str, path: Path, where: str) -> str:
    try:
        text = content.decode("utf-8").removesuffix("\n").removesuffix("\r")
    except UnicodeDecodeError:
        text = ""
    if not text or len(content) > _LARGEST_BYTES or "\n" in text or "\0" in text:
        raise BrimfulError(OP, key, f"expected one line of text in {path}, got something else {where}".rstrip())
    return text
