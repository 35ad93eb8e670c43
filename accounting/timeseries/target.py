"""Which time-series database, where, and how to be let in."""

from base64 import b64encode
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Kind = Literal["influxdb2", "influxdb1", "victoriametrics"]
_TIMEOUT_S = 10.0


@dataclass(frozen=True, slots=True)
class Target:
    """A database. org and bucket: influxdb2; database: influxdb1; username: those two that know users by name.

    secret: the password where there is a username, else the token. timeout_s: patience with each request, s.
    """

    kind: Kind
    url: str
    org: str = ""
    bucket: str = ""
    database: str = ""
    username: str = ""
    secret: str | None = field(default=None, repr=False)
    timeout_s: float = _TIMEOUT_S

    @property
    def login(self) -> str:
        """User and password as one word; "" where there is no user."""
        return f"{self.username}:{self.secret or ''}" if self.username else ""

    @property
    def authorization(self) -> Mapping[str, str]:
        """The request header that lets us in; none where nothing is needed."""
        if self.username:
            return {"Authorization": f"Basic {_base64(self.login)}"}
        if self.secret and self.kind != "influxdb1":
            return {"Authorization": f"Token {self.secret}"}
        return {}

    @property
    def secrets(self) -> tuple[str, ...]:
        """What must be in no message, however a server repeats it."""
        parts = (_base64(self.login), self.login, self.secret) if self.username else (self.secret,)
        return tuple(filter(None, parts))


def _base64(text: str) -> str:
    return b64encode(text.encode()).decode()
