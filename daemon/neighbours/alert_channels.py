"""The ways an alert can go: a topic, a webhook, or whatever the notification library knows. Each may take its time."""

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Protocol
from urllib.parse import urlsplit

from pydantic import SecretStr

from daemon.inputs.bounded_http import Deadline, pools_under

_QOS = 1
_LATER = (408, 425, 429)
"""Statuses below 500 that ask for another attempt: timeout, too early, too many (RFC 9110, 8470, 6585)."""


class NotSent(Exception):
    """Why an alert did not go; again: whether another attempt may help. Its text holds no secret."""

    def __init__(self, why: str, again: bool = True) -> None:
        super().__init__(why)
        self.again = again


@dataclass(frozen=True, slots=True)
class Message:
    """One alert. at: UTC, ISO 8601; kind: "alarm" or "recovered"; name: the alarm's, the same at both."""

    home: str
    at: str
    kind: str
    name: str
    sentence: str

    @property
    def document(self) -> bytes:
        """The alert as JSON (`brimful.alert/1`)."""
        alert = {"schema": "brimful.alert/1", "home": self.home, "at": self.at, "kind": self.kind}
        return json.dumps({**alert, "name": self.name, "sentence": self.sentence}, ensure_ascii=False).encode()


class Channel(Protocol):
    """A way. name: for people, without secrets."""

    @property
    def name(self) -> str: ...

    def send(self, message: Message) -> None:
        """Send it, in a time that is bounded. Raises NotSent."""


@dataclass(frozen=True, slots=True)
class Topic:
    """A topic of the home's broker. publish: topic, payload, QoS; says whether it could be handed over."""

    topic: str
    publish: Callable[[str, bytes, int], bool]

    @property
    def name(self) -> str:
        return f"topic {self.topic}"

    def send(self, message: Message) -> None:
        if not self.publish(self.topic, message.document, _QOS):
            raise NotSent("the link to the broker is down")


@dataclass(frozen=True, slots=True)
class Webhook:
    """An address that takes a POST of JSON. It follows no redirects. within_s: of one attempt, from start to end."""

    url: str
    token: SecretStr | None = None
    within_s: float = 10.0

    @property
    def name(self) -> str:
        return f"webhook at {urlsplit(self.url).hostname}"

    def send(self, message: Message) -> None:
        import urllib3  # takes a while, and most homes have no webhook

        headers = {"Content-Type": "application/json", "User-Agent": "brimful"}
        if self.token is not None:
            headers["Authorization"] = f"Bearer {self.token.get_secret_value()}"
        with Deadline(self.within_s) as deadline, pools_under(deadline) as pools:
            try:
                answer = pools.request(
                    "POST",
                    self.url,
                    body=message.document,
                    headers=headers,
                    timeout=urllib3.Timeout(total=self.within_s),
                    preload_content=False,
                    redirect=False,
                    retries=False,
                )
                status = answer.status
                answer.close()
                deadline.must_be_ahead()  # what was cut short may look like a whole answer
            except ValueError as late:
                raise NotSent(str(late)) from None
            except urllib3.exceptions.HTTPError as failed:
                raise NotSent(f"expected an answer within {self.within_s:g} s, got {type(failed).__name__}") from None
        if not 200 <= status < 300:
            raise NotSent(f"expected status 2xx, got {status}", again=status >= 500 or status in _LATER)


@dataclass(frozen=True, slots=True)
class Notification:
    """Addresses of the notification library: mail, text messages and the like. Needs the extra `notify`."""

    urls: Sequence[SecretStr]

    @property
    def name(self) -> str:
        return "notify"

    def send(self, message: Message) -> None:
        title = f"{message.home}: {'alarm' if message.kind == 'alarm' else 'recovered'}"
        for number, url in enumerate(self.urls, 1):
            if not _notifier(url, number).notify(body=message.sentence, title=title, interpret_escapes=False):
                raise NotSent(f"address {number} of urls_file did not take it")

    def must_be_usable(self) -> None:
        """Raises NotSent where the library is missing or an address is none of its own."""
        for number, url in enumerate(self.urls, 1):
            _notifier(url, number)


def _notifier(url: SecretStr, number: int) -> Any:
    try:
        import apprise
    except ImportError:
        raise NotSent("the extra `notify` is not installed: pip install 'brimful[notify]'", again=False) from None
    made = apprise.Apprise()
    if not made.add(url.get_secret_value()):
        raise NotSent(f"expected an address that the library knows, got another on line {number}", again=False)
    return made
