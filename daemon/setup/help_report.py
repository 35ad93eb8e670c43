"""One text file to send along when asking for help: checks, home file, what the daemon says; and no secrets."""

import json
import platform
import sqlite3
import sys
from collections.abc import Mapping, Sequence
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from daemon.config.model import Home
from daemon.setup.masking import Mask, hidden

_LIBRARIES = ("paho-mqtt", "pydantic", "apscheduler", "starlette", "influxdb-client")
_HEAD = """\
A report by `brimful check --report`, for whoever helps you.

Hidden: passwords and tokens, user names, hosts and their addresses, paths of folders, web addresses, suppliers, and
when nobody is at home. Kept: topics and payloads of your devices, the names of the home and of its tables, prices, the
time zone. Read it through before you send it.
"""


def help_report(
    lines: Sequence[tuple[str, bool, str]],
    home: Home | None,
    health: Mapping[str, Any] | None,
    mask: Mask,
    at: str,
) -> str:
    """The report's text.

    lines: what was checked, whether it is well, the sentence; home: None where the file does not load; health: what the
    running daemon says, None where none runs; at: when, ISO 8601.
    """
    parts = [_HEAD, f"made {at}", *_machine(), "", "== Checked =="]
    parts += [f"{'ok ' if well else 'BAD'} {name}: {sentence}" for name, well, sentence in lines]
    parts += ["", "== Home file, what it sets =="]
    if home is None:
        parts.append("it does not load")
    else:
        set_ = home.model_dump(mode="json", exclude_unset=True, by_alias=True)
        parts += [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in _flat(hidden(set_))]
    parts += ["", "== The running daemon =="]
    parts.append("none answers" if health is None else json.dumps(health, ensure_ascii=False, indent=1))
    return mask.text("\n".join(parts)) + "\n"


def _machine() -> list[str]:
    libraries = [f"{name} {_version(name)}" for name in _LIBRARIES]
    return [
        f"brimful {_version('brimful')}, Python {sys.version.split()[0]}, SQLite {sqlite3.sqlite_version}",
        f"{platform.system()} {platform.release()} on {platform.machine()}",
        ", ".join(libraries),
    ]


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"


def _flat(table: Mapping[str, Any], before: str = "") -> list[tuple[str, Any]]:
    found: list[tuple[str, Any]] = []
    for key, value in table.items():
        name = f"{before}.{key}" if before else key
        found += _flat(value, name) if isinstance(value, Mapping) else [(name, value)]
    return found
