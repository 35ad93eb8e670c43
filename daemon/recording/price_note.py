"""By which prices and assumptions the books are valued, as digests: kept in the ledger and compared at each start.

Prices that were edited while the daemon was stopped, or after the backup that was restored, are found so.
"""

from dataclasses import dataclass
from hashlib import blake2b
from pathlib import Path
from typing import Any

from daemon.config.model import Home

PRICES = "prices"
"""The state key of the note."""
_ASSUMED = {"displaces", "books"}
_PRICED = {"tariffs", "carbon"}


@dataclass(frozen=True, slots=True)
class PriceNote:
    """prices: of the tables of tariffs and carbon; files: of each file that they name, by its name; assumed: of what is
    displaced and how the books are kept; since_s: from when on that has been so, UTC seconds."""

    prices: str
    files: dict[str, str]
    assumed: str
    since_s: float = 0.0

    def written(self) -> dict[str, Any]:
        """As plain JSON values."""
        return {"prices": self.prices, "files": self.files, "assumed": self.assumed, "since_s": self.since_s}

    def changed_from(self, former: "PriceNote", home_file: str) -> list[str]:
        """The names of the files whose prices are others than by the former note."""
        found = [home_file] if self.prices != former.prices else []
        return found + [
            name for name in sorted({*self.files, *former.files}) if self.files.get(name) != former.files.get(name)
        ]


def price_note(home: Home, since_s: float = 0.0) -> PriceNote:
    """The note of a home as it is now; a file that cannot be read counts as empty."""
    calendars = {home.path_of(name) for name in (home.home.calendar_file, home.rules.away.calendar_file) if name}
    files = {path.name: _digest(_content(path)) for path in home.files_beside if path not in calendars}
    prices, assumed = (
        _digest(home.model_dump_json(include=tables, exclude_defaults=True).encode()) for tables in (_PRICED, _ASSUMED)
    )
    return PriceNote(prices, files, assumed, since_s)


def note_of(kept: Any) -> PriceNote | None:
    """The note that was written; None if there is none, or none that can be understood."""
    match kept:
        case {
            "prices": str(prices),
            "files": dict(files),
            "assumed": str(assumed),
            "since_s": int() | float() as since_s,
        }:
            return PriceNote(
                prices, {str(name): str(digest) for name, digest in files.items()}, assumed, float(since_s)
            )
    return None


def _content(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError:
        return b""


def _digest(content: bytes) -> str:
    return blake2b(content, digest_size=16).hexdigest()
