"""Takes out of a text what nobody else should read: secrets, hosts, addresses, users, folders. Pure but for `mask_of`.

Topics stay as they are, for without them nobody can help; so a host or a user whose name is also a word of a topic is
hidden only where it cannot be that word.
"""

import os
import re
import socket
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from ipaddress import IPv6Address
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from daemon.config.load import read_bytes, toml
from daemon.config.model import Home
from daemon.config.secrets import (
    BROKER_PASSWORD,
    PAGE_PASSWORD_HASH,
    TIMESERIES_PASSWORD,
    TIMESERIES_TOKEN,
    broker_password,
    page_password_hash,
    timeseries_secret,
)
from rules.model.errors import BrimfulError

HIDDEN_KEYS: Mapping[str, str] = {
    "host": "host",
    "url": "address",
    "username": "user",
    "names": "hosts",
    "bind": "host",
    "redirects_to": "hosts",
    "supplier": "supplier",
    "org": "organisation",
    "options": "options",
    "folder": "folder",
    "path": "file",
}
"""Keys of a home file whose values are hidden, and by which word. What ends with _file is hidden too."""
HIDDEN_HOSTS = ("host", "names", "redirects_to")
"""Those of them whose values are hosts: hidden wherever they stand in a sentence."""
_ADDRESSES = (
    (re.compile(r"\b[a-z][a-z0-9+.-]*://[^\s'\"<>]+", re.I), "<address>"),
    (re.compile(r"\b[\w.+-]+@[\w-]+\.[\w.-]+"), "<mail address>"),
    (re.compile(r"(?<![\d.])(?:\d{1,3}\.){3}\d{1,3}(?![\d.])"), "<IP address>"),
    (re.compile(r"(?<![\w:])(?:[0-9a-f]{2}:){5}[0-9a-f]{2}(?![\w:])", re.I), "<hardware address>"),
)
_PERHAPS_IPV6 = re.compile(r"(?<![\w:])[0-9a-f:]{2,}:[0-9a-f:.]*(?:%\w+)?", re.I)
_PRIVATE_KEYS = re.compile(r"pass|token|secret|user|host|url|address|key", re.I)
_LEAST_SECRET = 3


@dataclass(frozen=True, slots=True)
class Mask:
    """What is to be hidden. secrets: wherever they stand; hosts, users: as words; folders: paths; topics: kept."""

    secrets: tuple[str, ...] = ()
    hosts: tuple[str, ...] = ()
    users: tuple[str, ...] = ()
    folders: tuple[str, ...] = ()
    topics: tuple[str, ...] = ()

    def text(self, said: str) -> str:
        """The text without them."""
        for secret in sorted(self.secrets, key=len, reverse=True):
            word = re.escape(secret)
            said = re.sub(word if len(secret) >= _LEAST_SECRET else rf"(?<!\w){word}(?!\w)", "<secret>", said)
        for folder in sorted(self.folders, key=len, reverse=True):
            said = said.replace(folder, "<folder>")
        for pattern, shown in _ADDRESSES:
            said = pattern.sub(shown, said)
        said = _PERHAPS_IPV6.sub(_ipv6, said)
        for names, shown in ((self.hosts, "<host>"), (self.users, "<user>")):
            for name in sorted(names, key=len, reverse=True):
                said = self._word(name).sub(shown, said)
        return said

    def _word(self, name: str) -> re.Pattern[str]:
        word = re.escape(name)
        if any(re.search(rf"(?<![\w-]){word}(?![\w-])", topic, re.I) for topic in self.topics):
            return re.compile(rf"(?<![\w./-]){word}(?=:\d)", re.I)
        return re.compile(rf"(?<![\w-]){word}(?![\w-])", re.I)


def _ipv6(found: re.Match[str]) -> str:
    text = found.group().rstrip(":.")
    try:
        IPv6Address(text)
    except ValueError:
        return found.group()
    return "<IP address>" + found.group()[len(text) :]


def hidden(table: Any, key: str = "", within: tuple[str, ...] = ()) -> Any:
    """A table of a home file as data, with what its keys say is nobody else's hidden."""
    if within[:2] == ("rules", "away") and key == "periods":
        return f"<{len(table)} absences>"
    if table is not None and (key in HIDDEN_KEYS or key.endswith("_file")):
        return f"<{HIDDEN_KEYS.get(key, 'file')}>"
    if isinstance(table, Mapping):
        return {name: hidden(value, str(name), (*within, str(name))[:3]) for name, value in table.items()}
    if isinstance(table, list | tuple):
        return [hidden(one, "", within) for one in table]
    return table


def mask_of(home: Home, environment: Mapping[str, str] = os.environ) -> Mask:
    """What a home file and this machine know that is to be hidden."""
    set_ = home.model_dump(mode="json", by_alias=True)
    hosts = [socket.gethostname(), *_texts(set_, HIDDEN_HOSTS.__contains__)]
    hosts += [urlsplit(url).hostname or "" for url in _texts(set_, "url".__eq__)]
    users = _texts(set_, "username".__eq__)
    topics = [signal.topic for signal in home.signals.values()]
    topics += [table.topic for table in (*home.heaters.values(), *home.outputs.values())]
    return Mask(
        tuple(_secrets(home, environment)),
        tuple(dict.fromkeys(host for host in hosts if host and host != "localhost")),
        tuple(dict.fromkeys(user for user in users if user)),
        _folders(home.file),
        tuple(topics),
    )


def _texts(table: Any, wanted: Callable[[str], object], named: bool = False) -> Iterator[str]:
    """Every text under a key that is wanted, however deep."""
    if isinstance(table, Mapping):
        for key, value in table.items():
            yield from _texts(value, wanted, named or bool(wanted(str(key))))
    elif isinstance(table, list):
        for one in table:
            yield from _texts(one, wanted, named)
    elif named and isinstance(table, str) and table:
        yield table


def mask_of_refused(file: Path) -> Mask:
    """The same for a home file that does not load: what its own keys say is private, wherever they stand."""
    try:
        raw: Any = toml(read_bytes(file), file)
    except BrimfulError:
        raw = {}
    return Mask(tuple(_texts(raw, _PRIVATE_KEYS.search)), (socket.gethostname(),), folders=_folders(file))


def _folders(file: Path) -> tuple[str, ...]:
    folders = {str(file.parent), str(file.resolve().parent), os.path.expanduser("~"), os.getcwd()}
    return tuple(folder for folder in folders if len(folder) > 1)


def _secrets(home: Home, environment: Mapping[str, str]) -> Iterable[str]:
    names = (BROKER_PASSWORD, TIMESERIES_TOKEN, TIMESERIES_PASSWORD, PAGE_PASSWORD_HASH)
    yield from filter(None, (environment.get(name) for name in names))
    for read in (broker_password, timeseries_secret, page_password_hash):
        try:
            found = read(home, environment)
        except BrimfulError:  # it cannot be read, so it cannot be given away either
            continue
        if found is not None:
            yield found.get_secret_value()
    for name in _texts(home.model_dump(mode="json", exclude_unset=True, by_alias=True), _is_secret_file):
        for text in _line(home.path_of(name)):
            yield from filter(None, (line.strip() for line in text.splitlines()))
    own = home.path_of(home.ledger.path)
    for beside in (own.with_name("broker-password"), *own.parent.glob(f"{own.name}*token*")):
        yield from _line(beside)


def _is_secret_file(key: str) -> bool:
    """What ends with _file and is no calendar and no certificate."""
    return key.endswith("_file") and key not in ("calendar_file", "ca_file")


def _line(file: Path) -> Iterable[str]:
    try:
        text = file.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError):
        return
    if text:
        yield text
