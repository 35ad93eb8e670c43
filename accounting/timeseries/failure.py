"""Why points did not arrive, in a sentence without secrets, and whether waiting may help."""

from collections.abc import Iterable, Mapping
from email.utils import parsedate_to_datetime
from urllib.parse import urlsplit

_TOLD = 200  # characters of the server's own words that are passed on
_MEANING = {
    400: "it refuses the points",
    401: "it refuses the token or password",
    403: "the token or password does not allow writing",
    404: "it has no such database, bucket or path",
    413: "the batch is too large for it",
    429: "it asks for fewer requests",
}


class SendFailed(Exception):
    """The points were not taken, or it is unknown whether they were.

    lasting: it will not mend by itself (a wrong token, say), so it is tried again, but rarely.
    retry_after_s: how long the server asks to be left alone; None: it does not say.
    """

    def __init__(self, sentence: str, *, lasting: bool, retry_after_s: float | None = None) -> None:
        super().__init__(sentence)
        self.sentence = sentence
        self.lasting = lasting
        self.retry_after_s = retry_after_s


def place(url: str) -> str:
    """The address for messages: without user, password, query and fragment."""
    parts = urlsplit(url)
    host = parts.hostname or ""
    if ":" in host:
        host = f"[{host}]"
    port = f":{parts.port}" if parts.port else ""
    return f"{parts.scheme}://{host}{port}{parts.path}"


def unreachable(url: str, why: str) -> SendFailed:
    """No answer came."""
    return SendFailed(f"time-series database at {place(url)}: {why}", lasting=False)


def refused(url: str, status: int, headers: Mapping[str, str], body: str, secrets: Iterable[str | None]) -> SendFailed:
    """The server answered, and not with a yes. secrets: never passed on, even where the server repeats them."""
    told = " ".join(body.split())
    for secret in filter(None, secrets):
        told = told.replace(secret, "***")
    sentence = f"time-series database at {place(url)}: {_MEANING.get(status, 'it does not take the points')} ({status})"
    if told:
        sentence += f": {told[:_TOLD]}"
    passing = status == 429 or status >= 500
    return SendFailed(sentence, lasting=not passing, retry_after_s=_retry_after_s(headers) if passing else None)


def _retry_after_s(headers: Mapping[str, str]) -> float | None:
    """Seconds or, as RFC 9110 section 10.2.3 also allows, a date; that is read against the server's own clock."""
    lower = {name.lower(): value for name, value in headers.items()}
    told = lower.get("retry-after", "").strip()
    if told.isascii() and told.isdigit():
        return float(told)
    try:
        waiting = parsedate_to_datetime(told) - parsedate_to_datetime(lower.get("date", ""))
    except (ValueError, TypeError):
        return None
    return max(0.0, waiting.total_seconds())
