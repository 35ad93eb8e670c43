"""Writes a home file that was begun, beside the others and over none of them."""

import os
from pathlib import Path

from daemon.config.load import parse
from daemon.mqtt.address import BrokerAddress
from daemon.setup.suggest import toml_text
from rules.model.errors import BrimfulError

OP = "write a home file"


def broker_lines(broker: BrokerAddress, password_file: Path | None, into: Path) -> tuple[str, ...]:
    """The keys of a [broker] table in the file `into`. password_file: where the password is, if one is asked for.

    The password itself is never written.
    """
    lines = [f"host = {toml_text(broker.host)}", f"port = {broker.port}"]
    if broker.tls:
        lines.append("tls = true")
        if broker.ca_file is not None:
            lines.append(f"ca_file = {toml_text(_beside(Path(broker.ca_file), into))}")
    if broker.username is not None:
        lines.append(f"username = {toml_text(broker.username)}")
        if password_file is not None:
            lines.append(f"password_file = {toml_text(_beside(password_file, into))}")
        else:
            lines.append("# its password: name a password_file, or set BRIMFUL_BROKER_PASSWORD")
    return tuple(lines)


def _beside(path: Path, into: Path) -> str:
    """A path as the file `into` names it: relative to its folder where it lies in it."""
    whole, folder = Path(os.path.abspath(path)), Path(os.path.abspath(into)).parent
    return str(whole.relative_to(folder)) if whole.is_relative_to(folder) else str(whole)


def write(text: str, into: Path, *, force: bool = False, mode: int = 0o666) -> None:
    """Write the file. force: over one that is there; mode: who may read it, the umask aside. Raises BrimfulError, also
    where it would not load."""
    parse(text.encode(), into)
    try:
        flags = os.O_WRONLY | os.O_CREAT | (os.O_TRUNC if force else os.O_EXCL)
        with open(os.open(into, flags, mode), "w", encoding="utf-8") as out:
            out.write(text)
    except FileExistsError:
        cause = "expected a file that is not there yet, got one that is"
        raise BrimfulError(OP, str(into), cause, "name another, or add --force to overwrite it") from None
    except OSError as refused:
        raise BrimfulError(OP, str(into), f"{refused.strerror or refused}") from None
