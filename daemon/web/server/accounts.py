"""Who may change something by the page: one password for the house, its hash in a file, and logins kept in memory."""

import asyncio
import hashlib
import secrets
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from daemon.web.server.refusals import Refusal

SHORTEST_PASSWORD = 10
LONGEST_PASSWORD = 1000
IDLE_S = 12 * 3600.0
LONGEST_S = 7 * 86_400.0
MOST_SESSIONS = 50
TRIES_WITHIN_S = 300.0
MOST_TRIES = 5
"""Wrong passwords from one address within that time."""
MOST_TRIES_OF_ALL = 30
MOST_WAITING = 4
"""Logins that wait for their turn: one password is tried at a time, for that takes memory on purpose."""

# Less memory than the lesser of the two choices in RFC 9106, section 4 (64 MiB), and as much as is common practice for
# small machines (19 MiB; from memory): this runs on boards of 1 GB, beside a heater's control, and the whole daemon is
# to stay below 90 MB. One at a time, few tries, and one pass more than usual make up for it.
_HASHER = PasswordHasher(time_cost=3, memory_cost=19_456, parallelism=1)


def hashed(password: str) -> str:
    """The password's hash (argon2id) with its salt and costs, one line."""
    return _HASHER.hash(password)


def is_hash(text: str) -> bool:
    """Whether a text is such a hash."""
    try:
        _HASHER.check_needs_rehash(text)
    except InvalidHashError:
        return False
    return True


@dataclass(slots=True)
class Session:
    """One login. form_token: stands in every form of its pages, so that no other page can send one; unsent: a form
    that was filled in before the login, to be sent by hand: its path and fields."""

    form_token: str
    began_s: float
    used_s: float
    unsent: tuple[str, dict[str, str]] | None = None


class Accounts:
    """Logins. password_hash: None if none is set; then nobody can log in. clock: seconds that only go forward."""

    def __init__(self, password_hash: str | None, clock: Callable[[], float] = time.monotonic) -> None:
        self._hash = password_hash
        self._clock = clock
        self._sessions: dict[bytes, Session] = {}
        self._tries: dict[str, deque[float]] = {}
        self._trying = asyncio.Lock()
        self._waiting = 0

    @property
    def has_password(self) -> bool:
        return self._hash is not None

    async def log_in(self, password: str, address: str) -> str:
        """A new session's secret, for its cookie. Raises Refusal: a wrong password, or too many tries."""
        if self._hash is None:
            raise Refusal(403, "login", "expected a password to be set, got none", "brimful password HOME.toml")
        self._count(address)
        if self._waiting >= MOST_WAITING:
            raise Refusal(429, "login", "expected one login at a time", "try again in a while", {"Retry-After": "5"})
        # Counted as wrong until it is known to be right: tries at the same time count too.
        now_s = self._clock()
        self._tries.setdefault(address, deque()).append(now_s)
        self._waiting += 1
        try:
            async with self._trying:
                right = await asyncio.to_thread(_fits, self._hash, password)
        finally:
            self._waiting -= 1
        if not right:
            raise Refusal(401, "password", "expected the password of this house, got another")
        self._tries.pop(address, None)
        return self._begin()

    def session(self, secret: str | None) -> Session | None:
        """The session of a cookie, if it is one and still holds."""
        if not secret:
            return None
        key, now_s = _key(secret), self._clock()
        found = self._sessions.get(key)
        if found is None:
            return None
        if now_s - found.used_s > IDLE_S or now_s - found.began_s > LONGEST_S:
            del self._sessions[key]
            return None
        found.used_s = now_s
        return found

    def log_out(self, secret: str | None) -> None:
        """End a session; one that is none is no matter."""
        if secret:
            self._sessions.pop(_key(secret), None)

    def _begin(self) -> str:
        now_s = self._clock()
        secret = secrets.token_urlsafe(32)
        if len(self._sessions) >= MOST_SESSIONS:
            del self._sessions[min(self._sessions, key=lambda key: self._sessions[key].used_s)]
        self._sessions[_key(secret)] = Session(secrets.token_urlsafe(32), now_s, now_s)
        return secret

    def _count(self, address: str) -> None:
        since_s = self._clock() - TRIES_WITHIN_S
        for known, tries in list(self._tries.items()):
            while tries and tries[0] <= since_s:
                tries.popleft()
            if not tries:
                del self._tries[known]
        of_all = sum(map(len, self._tries.values()))
        own = self._tries.get(address, deque())
        if len(own) >= MOST_TRIES or of_all >= MOST_TRIES_OF_ALL:
            oldest_s = own[0] if len(own) >= MOST_TRIES else min(tries[0] for tries in self._tries.values())
            wait_s = max(1, round(oldest_s - since_s))
            raise Refusal(
                429,
                "login",
                f"expected fewer than {MOST_TRIES} wrong passwords in {TRIES_WITHIN_S / 60:g} min",
                f"try again in {wait_s} s",
                {"Retry-After": str(wait_s)},
            )


def _key(secret: str) -> bytes:
    """What is kept of a cookie: looking it up tells nothing by its time."""
    return hashlib.sha256(secret.encode()).digest()


def _fits(known: str, password: str) -> bool:
    try:
        return _HASHER.verify(known, password[:LONGEST_PASSWORD])
    except (VerificationError, InvalidHashError):
        return False
