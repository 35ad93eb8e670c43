"""Who may change something by the page: one password for the house, its hash in a file, and logins kept in memory."""

import asyncio
import hashlib
import secrets
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from ipaddress import ip_address, ip_network

from daemon.web.server.password_hash import fits_apart
from daemon.web.server.refusals import Refusal
from rules.model.wording import say

SHORTEST_PASSWORD = 10
IDLE_S = 12 * 3600.0
LONGEST_S = 7 * 86_400.0
MOST_SESSIONS = 50
TRIES_WITHIN_S = 300.0
MOST_TRIES = 5
"""Wrong passwords from one address within that time."""
MOST_TRIES_OF_STRANGERS = 30
"""Wrong passwords within that time from all addresses from which nobody has logged in yet. This machine's own address,
and those from which somebody has, are never locked by what others try."""
MOST_WAITING = 4
"""Logins that wait for their turn, of strangers and of known addresses each: one password is tried at a time, for that
takes memory on purpose."""
MOST_KNOWN = 50
LOOPBACK = "loopback"


@dataclass(slots=True)
class Session:
    """One login. form_token: stands in every form of its pages, so that no other page can send one; unsent: a form
    that was filled in before the login, to be sent by hand: its path and fields."""

    form_token: str
    began_s: float
    used_s: float
    unsent: tuple[str, dict[str, str]] | None = None


class Accounts:
    """Logins. password_hash: None if none is set; then nobody can log in. clock: seconds that only go forward.
    fits: whether a password is the one of a hash."""

    def __init__(
        self,
        password_hash: str | None,
        clock: Callable[[], float] = time.monotonic,
        fits: Callable[[str, str], bool] = fits_apart,
    ) -> None:
        self._fits = fits
        self._hash = password_hash
        self._clock = clock
        self._sessions: dict[bytes, Session] = {}
        self._tries: dict[str, deque[float]] = {}
        self._trying = asyncio.Lock()
        self._waiting = {True: 0, False: 0}  # by whether the address is known
        self._known: dict[str, None] = {}

    @property
    def has_password(self) -> bool:
        return self._hash is not None

    async def log_in(self, password: str, address: str) -> str:
        """A new session's secret, for its cookie. Raises Refusal: a wrong password, or too many tries."""
        if self._hash is None:
            raise Refusal(403, "login", say("expected a password to be set, got none"), "brimful password HOME.toml")
        address = source(address)
        known = self._is_known(address)
        self._count(address, known)
        if self._waiting[known] >= MOST_WAITING:
            raise Refusal(
                429, "login", say("expected one login at a time"), say("try again in a while"), {"Retry-After": "5"}
            )
        # Counted as wrong until it is known to be right: tries at the same time count too.
        now_s = self._clock()
        self._tries.setdefault(address, deque()).append(now_s)
        self._waiting[known] += 1
        try:
            async with self._trying:
                right = await asyncio.to_thread(self._fits, self._hash, password)
        finally:
            self._waiting[known] -= 1
        if not right:
            raise Refusal(401, "password", "expected the password of this house, got another")
        self._tries.pop(address, None)
        self._known.pop(address, None)
        self._known[address] = None  # the newest last
        if len(self._known) > MOST_KNOWN:
            del self._known[next(iter(self._known))]
        return self._begin()

    def session(self, secret: str | None, *, renews: bool = True) -> Session | None:
        """The session of a cookie, if it is one and still holds. renews: whether that counts as a use of it."""
        if not secret:
            return None
        key, now_s = _key(secret), self._clock()
        found = self._sessions.get(key)
        if found is None:
            return None
        if now_s - found.used_s > IDLE_S or now_s - found.began_s > LONGEST_S:
            del self._sessions[key]
            return None
        if renews:
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

    def _is_known(self, address: str) -> bool:
        return address == LOOPBACK or address in self._known

    def _count(self, address: str, known: bool) -> None:
        """Raises Refusal where too many wrong passwords came: from the address, or from all that are not known."""
        since_s = self._clock() - TRIES_WITHIN_S
        for other, tries in list(self._tries.items()):
            while tries and tries[0] <= since_s:
                tries.popleft()
            if not tries:
                del self._tries[other]
        own = self._tries.get(address, deque())
        strangers = [tries for other, tries in self._tries.items() if not self._is_known(other)]
        if len(own) >= MOST_TRIES:
            oldest_s = own[0]
        elif not known and sum(map(len, strangers)) >= MOST_TRIES_OF_STRANGERS:
            oldest_s = min(tries[0] for tries in strangers)
        else:
            return
        wait_s = max(1, round(oldest_s - since_s))
        raise Refusal(
            429,
            "login",
            say(
                "expected fewer than {most} wrong passwords in {minutes} min",
                most=MOST_TRIES,
                minutes=f"{TRIES_WITHIN_S / 60:g}",
            ),
            say("try again in {wait} s; the commands on the daemon's own machine need no login", wait=wait_s),
            {"Retry-After": str(wait_s)},
        )


def source(address: str) -> str:
    """Whom an address counts as: itself, or its network where one machine may have many (this one, and with IPv6)."""
    try:
        at = ip_address(address)
    except ValueError:
        return address
    if at.is_loopback:
        return LOOPBACK
    if at.version == 4:
        return address
    return str(ip_network((int(at) >> 64 << 64, 64)))


def _key(secret: str) -> bytes:
    """What is kept of a cookie: looking it up tells nothing by its time."""
    return hashlib.sha256(secret.encode()).digest()
