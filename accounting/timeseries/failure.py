"""Why points did not arrive, in a sentence without secrets, and whether waiting may help."""

import re
from collections.abc import Iterable, Mapping
from email.utils import parsedate_to_datetime
from urllib.parse import urlsplit

from rules.model.wording import joined, say

_MOST_CHARACTERS = 200  # of the server's own words that are passed on
_OF_CONTENT = (400, 413, 422)  # RFC 9110: bad content, too much of it, content that makes no sense to the server
LONGEST_WAIT_S = 86_400.0
"""However long a server asks to be left alone, it is asked again within a day."""
_DROPPED = re.compile(r"\bdropped=(\d+)")
_MEANING = {
    400: say("it refuses the points"),
    401: say("it refuses the token or password"),
    403: say("the token or password does not allow writing"),
    404: say("it has no such database, bucket or path"),
    413: say("the batch is too large for it"),
    422: say("it refuses the points"),
    429: say("it asks for fewer requests"),
}


SUBJECT = say("time-series database")


class SendFailed(Exception):
    """The points were not taken, or it is unknown whether they were.

    subject: what failed, with its address; cause: why, in words; sentence: both.
    lasting: it will not mend by itself (a wrong token, say), so it is tried again, but rarely.
    retry_after_s: how long the server asks to be left alone; None: it does not say.
    of_content: it objects to what it was sent; a part of that may be welcome.
    dropped: how many points it says it has left out, the others being taken; None: it gives no such count.
    """

    def __init__(
        self,
        cause: str,
        *,
        lasting: bool,
        subject: str = SUBJECT,
        retry_after_s: float | None = None,
        of_content: bool = False,
        dropped: int | None = None,
    ) -> None:
        self.subject = subject
        self.cause = cause
        self.sentence = joined((subject, cause), ": ")
        super().__init__(self.sentence)
        self.lasting = lasting
        self.retry_after_s = retry_after_s
        self.of_content = of_content
        self.dropped = dropped


def place(url: str) -> str:
    """The address for messages: without user, password, query and fragment."""
    parts = urlsplit(url)
    host = parts.hostname or ""
    if ":" in host:
        host = f"[{host}]"
    port = f":{parts.port}" if parts.port else ""
    return f"{parts.scheme}://{host}{port}{parts.path}"


def why_no_answer(error: Exception, timeout_s: float) -> str:
    """Why the HTTP client got none, by the kind of its error alone: its text can hold the address with its secrets."""
    from urllib3 import exceptions

    if isinstance(error, exceptions.NameResolutionError):
        return say("its name is not known here")
    if isinstance(error, exceptions.NewConnectionError):
        return say("nothing answers there (is it running?)")
    if isinstance(error, exceptions.TimeoutError):
        return say("no answer within {limit} s", limit=f"{timeout_s:g}")
    if isinstance(error, exceptions.SSLError):
        return say("the secure connection fails (certificate or address?)")
    return say("the connection breaks off")


def unreachable(url: str, why: str) -> SendFailed:
    """No answer came."""
    return SendFailed(why, lasting=False, subject=say("{subject} at {url}", subject=SUBJECT, url=place(url)))


def refused(url: str, status: int, headers: Mapping[str, str], body: str, secrets: Iterable[str | None]) -> SendFailed:
    """The server answered, and not with a yes. secrets: never passed on, even where the server repeats them."""
    words = repeated(body, secrets)
    meaning = _MEANING.get(status) or say("it does not take the points")
    cause = joined((say("{meaning} ({status})", meaning=meaning, status=status), words), ": ")
    passing = status == 429 or status >= 500
    counted = _DROPPED.search(body)
    return SendFailed(
        cause,
        lasting=not passing,
        subject=say("{subject} at {url}", subject=SUBJECT, url=place(url)),
        retry_after_s=_retry_after_s(headers) if passing else None,
        of_content=status in _OF_CONTENT,
        dropped=int(counted[1]) if counted else None,
    )


def repeated(body: str, secrets: Iterable[str | None]) -> str:
    """The server's own words on one line, cut short, without the secrets."""
    words = " ".join(body.split())
    for secret in filter(None, secrets):
        words = words.replace(secret, "***")
    return words[:_MOST_CHARACTERS]


def _retry_after_s(headers: Mapping[str, str]) -> float | None:
    """Seconds or, as RFC 9110 section 10.2.3 also allows, a date; that is read against the server's own clock."""
    lower = {name.lower(): value for name, value in headers.items()}
    header = lower.get("retry-after", "").strip()
    if header.isascii() and header.isdigit():
        return min(float(header), LONGEST_WAIT_S)
    try:
        waiting = parsedate_to_datetime(header) - parsedate_to_datetime(lower.get("date", ""))
    except (ValueError, TypeError):
        return None
    return min(max(0.0, waiting.total_seconds()), LONGEST_WAIT_S)
