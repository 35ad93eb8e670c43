"""A soaked house's prices given ahead: a source that now and then goes mad, drips, or sends its readers elsewhere."""

import json
import threading
import time
from bisect import bisect_right
from datetime import UTC, datetime
from fractions import Fraction
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from random import Random
from typing import Any

from accounting.pricing.series import read_rows
from daemon.inputs import price_fetch
from daemon.inputs.price_feeds import Feeds
from daemon.inputs.price_fetch import Fetched

STEP_S = 1800
LIVE = (
    'live = { kind = "http", url = "http://prices.invalid/{today}", rows = "/rows", time = "/at", value = "/p", '
    "minutes = 30, refresh_minutes = 30 }\n"
)
WITHIN_S = 0.2
"""How long a question may take here: a dripping source keeps to nobody's time."""
MAD: tuple[bytes, ...] = (
    b'{"rows": [{"at": "2026-06-01T00:00:00Z", "p": 1e99999999999999999999}]}',
    b'{"rows": [{"at": "2026-06-01T00:00:00Z", "p": 1e400}, {"at": "2026-06-01T00:00:00Z", "p": NaN}]}',
    b'{"rows": [{"at": "2015-01-01T00:00:00Z", "p": 9}, {"at": "2085-01-01T00:00:00Z", "p": 9}]}',
    b'{"rows": [{"at": "yesterday", "p": "dear"}, 7, null, []]}',
    b'{"rows": {}}',
    b'{"rows": ' + b"[" * 3000,
    b"\xff\xfe",
    b"",
)
NOBODYS_S = {datetime(year, 1, 1, tzinfo=UTC).timestamp() for year in (2015, 2085)}
"""Rows that can be read, and are nobody's today: they may be kept, and may push out no other."""


class MadPrices:
    """Answers in the fetching's place. kind: "" well, "mad", "drips", "elsewhere", "fails"."""

    def __init__(self, dice: Random) -> None:
        self.kind = ""
        self.now_s = 0.0
        self.given: dict[int, int] = {}
        """What was given in well answers: the price of each half hour, hundredths."""
        self.refused = 0
        self._dice = dice
        self._server = ThreadingHTTPServer(("127.0.0.1", 0), _Strange)
        self._server.daemon_threads = False
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.01,))
        self._thread.start()

    def take_over(self, feeds: Feeds) -> None:
        """Be what the daemon's feeds ask."""
        for source in feeds._sources:
            source._fetch = self

    def __call__(self, url: str, etag: str, redirects_to: tuple[str, ...] = (), /) -> Fetched:
        match self.kind:
            case "mad":
                return Fetched(self._dice.choice(MAD))
            case "drips" | "elsewhere":
                address = f"http://127.0.0.1:{self._server.server_port}/{self.kind}"
                try:
                    return price_fetch.fetch(address, etag, redirects_to, WITHIN_S)
                except ValueError:
                    self.refused += 1
                    raise
            case "fails":
                raise RuntimeError("a part that errs")
        first_s = int(self.now_s // STEP_S) * STEP_S
        rows = {at_s: (at_s // STEP_S * 7919) % 35 - 5 for at_s in range(first_s - STEP_S, first_s + 86_400, STEP_S)}
        self.given |= rows
        told = [{"at": datetime.fromtimestamp(at_s, UTC).isoformat(), "p": p / 100} for at_s, p in rows.items()]
        return Fetched(json.dumps({"rows": told}).encode())

    def judge(self, file: Path) -> int:
        """Every half hour that was ever given is kept with its price, whatever else was said; how many."""
        rows = read_rows(file)
        starts_s = [at_s for at_s, _ in rows]
        for at_s, hundredths in self.given.items():
            assert rows[bisect_right(starts_s, at_s) - 1][1] == Fraction(hundredths, 100), at_s
        strange = {at_s for at_s, price in rows if price is not None} - self.given.keys()
        assert strange <= NOBODYS_S, strange
        return len(self.given)

    def close(self) -> None:
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()


class _Strange(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.0"

    def do_GET(self) -> None:
        if self.path == "/elsewhere":
            self.send_response_only(302)
            self.send_header("Location", "http://127.0.0.2:9/rows")
            self.end_headers()
            return
        self.send_response_only(200)
        self.send_header("Content-Length", "1000000")
        self.end_headers()
        try:
            for _ in range(200):
                self.wfile.write(b" ")
                self.wfile.flush()
                time.sleep(0.02)
        except OSError:
            return  # it was left

    def log_message(self, format: str, *args: Any) -> None: ...
