"""One question to an address, bounded in time, size and where it may be sent on to."""

from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import urljoin, urlsplit

from daemon.inputs.bounded_http import Deadline, pools_under
from daemon.inputs.price_payload import LARGEST_BYTES

if TYPE_CHECKING:
    import urllib3

WITHIN_S = 60.0
"""How long one answer may take in all, however slowly it comes."""
_CONNECT_S, _READ_S = 10.0, 30.0
_MOST_REDIRECTS = 3
_SENT_ON = (301, 302, 303, 307, 308)


@dataclass(frozen=True, slots=True)
class Fetched:
    """An answer: payload None where nothing has changed since; etag: to ask with next time."""

    payload: bytes | None
    etag: str = ""


def fetch(url: str, etag: str, redirects_to: tuple[str, ...] = (), within_s: float = WITHIN_S) -> Fetched:
    """Ask an address. Raises ValueError, with the reason, for any answer but a good one.

    redirects_to: hosts that it may be sent on to besides its own. within_s: how long all of it may take.
    """
    import urllib3  # takes a while, and most homes have no such source

    with Deadline(within_s) as deadline, pools_under(deadline) as pools:
        try:
            for _ in range(1 + _MOST_REDIRECTS):
                answer = _ask(pools, url, etag)
                try:
                    if answer.status in _SENT_ON:
                        url = _sent_on(url, answer.headers.get("Location", ""), redirects_to)
                        continue
                    fetched = _read(answer, etag)
                finally:
                    answer.close()
                deadline.must_be_ahead()  # what was cut short may look like a whole answer
                return fetched
        except urllib3.exceptions.HTTPError as failed:
            deadline.must_be_ahead()
            raise ValueError(f"expected an answer, got {type(failed).__name__}") from failed
    raise ValueError(f"expected at most {_MOST_REDIRECTS} redirects, got more")


def _ask(pools: "urllib3.PoolManager", url: str, etag: str) -> "urllib3.BaseHTTPResponse":
    import urllib3

    headers = {"Accept": "application/json", "User-Agent": "brimful"} | ({"If-None-Match": etag} if etag else {})
    return pools.request(
        "GET",
        url,
        headers=headers,
        timeout=urllib3.Timeout(connect=_CONNECT_S, read=_READ_S),
        preload_content=False,
        redirect=False,
        retries=False,
    )


def _read(answer: "urllib3.BaseHTTPResponse", etag: str) -> Fetched:
    if answer.status == 304:
        return Fetched(None, etag)
    if answer.status != 200:
        raise ValueError(f"expected status 200, got {answer.status}")
    return Fetched(answer.read(LARGEST_BYTES + 1, decode_content=True), answer.headers.get("ETag", ""))


def _sent_on(url: str, location: str, redirects_to: tuple[str, ...]) -> str:
    """Where a redirect leads. Raises ValueError where that is neither the same host nor one that is named."""
    target = urljoin(url, location)
    before, after = urlsplit(url), urlsplit(target)
    if after.scheme not in ("http", "https") or (before.scheme == "https" and after.scheme != "https"):
        raise ValueError("expected no redirect to an address without TLS, got one")
    if after.hostname != before.hostname and after.hostname not in redirects_to:
        raise ValueError(
            f"expected no redirect to another host, got one to {str(after.hostname)[:80]}; if that is right, name it "
            "under redirects_to"
        )
    if after.hostname == before.hostname and after.scheme == before.scheme and after.port != before.port:
        raise ValueError("expected no redirect to another port of the host, got one")
    return target
