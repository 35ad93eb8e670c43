"""The server of a house, with a loop that says back what it was asked: over real HTTP, in this process."""

import json
import time
from collections.abc import Callable
from dataclasses import dataclass
from http.client import HTTPConnection, HTTPMessage
from http.cookies import SimpleCookie
from typing import Any, Self
from urllib.parse import urlencode

from daemon.config.model import Home
from daemon.timing.events import Ask
from daemon.web.server.access import Access
from daemon.web.server.accounts import Accounts
from daemon.web.server.context import House
from daemon.web.server.live_state import Latest, Picture
from daemon.web.server.loop_client import Asking
from daemon.web.server.password_hash import fits
from daemon.web.server.security import Hosts, is_loopback
from daemon.web.server.serving import SLOW_S, Serving
from daemon.web.site.application import application
from rules.model.errors import BrimfulError
from tests.support import homes

WITHIN_S = 30.0
TOKEN = "0123456789abcdef" * 4
TOKEN_FILE = "wren/books.api-token"
JSON = {"Content-Type": "application/json"}
FORM = {"Content-Type": "application/x-www-form-urlencoded"}
HOME = homes.home(homes.SMALL)


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back."""

    status: int
    headers: HTTPMessage
    body: bytes

    @property
    def json(self) -> Any:
        assert self.headers["Content-Type"] == "application/json"
        return json.loads(self.body)

    @property
    def text(self) -> str:
        """As text, its no-break spaces plain ones, so that it is compared with what the daemon says."""
        return self.body.decode().replace("\u00a0", " ")

    @property
    def cookie(self) -> str:
        """The login's cookie that it sets, as a browser sends it back."""
        (cookie,) = SimpleCookie(self.headers["Set-Cookie"]).values()
        return f"{cookie.key}={cookie.value}"


def picture(sentence: str) -> Picture:
    """A picture of a house that is told from others by its sentence."""
    why = {
        "schema": "brimful.why/1",
        "home": "Wren Hut",
        "at": "2026-06-10T12:00:00Z",
        "heater": "main",
        "order": "withhold",
        "watts": None,
        "guard": "full",
        "sentence": sentence,
        "change": "",
        "findings": [
            {"guard": "full", "verdict": "forbid", "sentence": sentence.removeprefix("Heater off: "), "change": ""}
        ],
        "heaters": [],
        "level": None,
        "prices": {"import_price": None, "export_price": None, "heat_value": None},
        "links_down": {},
        "inputs": [],
        "alarms": [],
        "override": None,
    }
    return Picture(HOME, 1_781_092_800.0, why, None, None)


class Served:
    """A running server; use it in a `with`, or `close` it.

    asked: all that came through to the loop; error: raised there instead of an answer; pictures: how often it was asked
    for one; broken: it fails unforeseen at that.
    """

    def __init__(
        self,
        bind: str = "127.0.0.1",
        *,
        password_hash: str | None = None,
        read_only: bool = False,
        names: tuple[str, ...] = (),
        clock: Callable[[], float] = time.monotonic,
        within_s: float = WITHIN_S,
        slow_s: float = SLOW_S,
        put: Callable[[Ask], None] | None = None,
        home: Home = HOME,
        token: str = TOKEN,
    ) -> None:
        self.asked: list[tuple[str, dict[str, Any]]] = []
        self.error: BrimfulError | None = None
        self.pictures = 0
        self.broken = False
        self.sentence = "Heater off: tank 96 %"
        self.latest = Latest(self._show)
        accounts = Accounts(password_hash, clock, fits)
        access = Access(accounts, token, TOKEN_FILE, is_loopback(bind) and not names, read_only)
        house = House(Asking(put or self._answer, within_s), self.latest, access, lambda: home)
        self.server = Serving(bind, 0, application(house, Hosts(bind, names)), self.latest, slow_s)
        self.port = self.server.port
        self.server.start()

    def _show(self) -> None:
        self.pictures += 1
        if self.broken:
            raise ZeroDivisionError
        self.latest.put(picture(self.sentence))

    def _answer(self, question: Ask) -> None:
        self.asked.append((question.name, question.arguments))
        if self.error is not None:
            question.answer.set_exception(self.error)
        else:
            question.answer.set_result({"asked": question.name, "with": question.arguments})

    def close(self) -> None:
        self.server.stop()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def origin(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def http(
        self, method: str, path: str, body: bytes | str | None = None, headers: dict[str, str] | None = None
    ) -> Answer:
        """One request on a connection of its own."""
        connection = HTTPConnection(
            "127.0.0.1" if self.server.bind == "0.0.0.0" else self.server.bind, self.port, timeout=WITHIN_S
        )
        try:
            connection.request(method, path, body, headers or {})
            response = connection.getresponse()
            return Answer(response.status, response.headers, response.read())
        finally:
            connection.close()

    def machine(self, path: str, body: bytes | str, **headers: str) -> Answer:
        """A wish of the machine's own user."""
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        return self.http("POST", path, body, {**JSON, "Authorization": f"Bearer {TOKEN}", **named})

    def form(self, path: str, fields: dict[str, str], cookie: str = "", **headers: str | None) -> Answer:
        """A form as a browser sends it from a page of this server; a header of None is left out."""
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        told = {**FORM, "Origin": self.origin, "Sec-Fetch-Site": "same-origin", "Cookie": cookie, **named}
        return self.http("POST", path, urlencode(fields), {name: value for name, value in told.items() if value})
