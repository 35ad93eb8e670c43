"""The measured shares of used heat by month, kept in a file beside the ledger because working them out is slow.

A month's key is a digest of the digests of all rows that it is worked out from. So after a revision or a restatement,
or for another ledger, the old share is not found. The file is a cache: it may be deleted at any time, and if it cannot
be written, the shares are worked out every time.
"""

import contextlib
import json
import os
import tempfile
from dataclasses import dataclass
from fractions import Fraction
from hashlib import blake2b
from pathlib import Path
from typing import Any

from accounting.heat.inventory import Lot, Lots

_SCHEMA = "brimful.kept-shares/1"
_MOST = 2000
"""Months kept, of which ten years have some 160; the oldest written go first."""
FIRST_KEY = ""
"""The key before the first month."""


@dataclass(frozen=True, slots=True)
class KeptMonth:
    """share: of a month, None if the stock gives none; closing: the stock at its end."""

    share: Fraction | None
    closing: Lots


class KeptShares:
    """The file. Read once; `keep` what is new, then `write`."""

    def __init__(self, ledger: Path) -> None:
        self._path = ledger.with_name(f"{ledger.name}-used")
        self._months = _read(self._path)
        self._new = False

    def find(self, key: str) -> KeptMonth | None:
        """What is kept under a key."""
        held = self._months.get(key)
        if held is None:
            return None
        try:
            share = None if held["share"] is None else Fraction(held["share"])
            return KeptMonth(share, {source: Lot(*map(int, lot)) for source, lot in held["closing"].items()})
        except (KeyError, TypeError, ValueError, ZeroDivisionError, AttributeError):
            return None

    def keep(self, key: str, month: KeptMonth) -> None:
        """Keep a month."""
        share = None if month.share is None else str(month.share)
        closing = {source: [lot.wh, lot.micro, lot.mg] for source, lot in month.closing.items()}
        while len(self._months) >= _MOST:
            del self._months[next(iter(self._months))]
        self._months[key] = {"share": share, "closing": closing}
        self._new = True

    def write(self) -> None:
        """Put the file in its place in one step, if there is anything new; a folder that takes none is left alone."""
        if not self._new:
            return
        temporary = ""
        try:
            handle, temporary = tempfile.mkstemp(dir=self._path.parent, prefix=f".{self._path.name}.")
            with os.fdopen(handle, "w") as file:
                json.dump({"schema": _SCHEMA, "months": self._months}, file)
            os.replace(temporary, self._path)
        except OSError:
            if temporary:
                with contextlib.suppress(OSError):
                    os.unlink(temporary)
        self._new = False


def _read(path: Path) -> dict[str, Any]:
    try:
        content = json.loads(path.read_bytes())
        return dict(content["months"]) if content["schema"] == _SCHEMA else {}
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return {}


def next_key(before: str, digests: bytes) -> str:
    """The key of a month, from that of the month before it and the digests of its own rows."""
    return blake2b(before.encode() + digests, digest_size=16).hexdigest()
