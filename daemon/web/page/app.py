"""The page: its rooms, the live stream, login and logout, and the files beside them."""

import json
from collections.abc import Mapping
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from daemon.web.page.endpoints import Endpoints, address_of, form_of, to_login
from daemon.web.page.files import file_routes
from daemon.web.page.live import Live
from daemon.web.page.rendering import Renderer
from daemon.web.page.rooms import (
    day,
    health,
    history,
    now,
    rules,
    set_up,
    timeline,
    tonight,
    value,
    verdict,
    what_if,
)
from daemon.web.page.state import state_now, state_of
from daemon.web.server.access import FORM_TOKEN
from daemon.web.server.context import House
from daemon.web.server.live_state import Picture
from daemon.web.server.refusals import Refusal, status_of
from rules.model.errors import BrimfulError

ROOMS = (now, value, rules, health, timeline)
"""The rooms that every page's head names, in this order."""
INNER_ROOMS = (day, history, set_up, tonight, verdict, what_if)
"""The rooms that one of these leads to."""


class Page(Endpoints):
    """Everything that is not under /api/."""

    def __init__(self, house: House) -> None:
        rooms = [(room.PATH, room.TITLE) for room in ROOMS]
        super().__init__(house, Renderer(house.access, rooms, lambda: house.home().home.name, lambda: state_now(house)))

    def routes(self) -> list[BaseRoute]:
        """All its paths."""
        live = Live(self.house.latest, self._live)

        async def follow(request: Request) -> Response:
            self.house.access.must_read(request)
            return live.stream(lambda: self.house.access.may_read(request, renews=False))  # a page left open is no use

        routes: list[BaseRoute] = [route for room in (*ROOMS, *INNER_ROOMS) for route in room.routes(self)]
        return [
            *routes,
            Route("/live", follow, methods=["GET"]),
            Route("/login", self._login, methods=["GET"]),
            Route("/login", self._log_in, methods=["POST"]),
            Route("/unsent", self._unsent, methods=["GET"]),
            *self.posting("/logout", self._log_out, "/"),
            *file_routes(),
        ]

    def trouble(self, request: Request, error: BrimfulError) -> Response:
        """An error as a page; a missing login as the way there."""
        if isinstance(error, Refusal) and error.status == 401 and request.method == "GET":
            return to_login(request)
        headers = error.headers if isinstance(error, Refusal) else {}
        context = {"title": "That did not work", "lines": str(error).splitlines()}
        return self.renderer.page(request, "trouble.html", context, status_of(error), headers)

    def _live(self, picture: Picture) -> Mapping[str, Any]:
        state = state_of(self.house, picture)
        html = self.renderer.part("now_live.html", now.view(self.house, picture))
        return {"html": html, "state": state.words, "troubled": state.troubled}

    async def _unsent(self, request: Request) -> Response:
        session = self.house.access.session(request)
        if session is None or session.unsent is None:
            return RedirectResponse("/", 303)
        return self.unsent(request, *session.unsent)

    async def _login(self, request: Request) -> Response:
        then = _then(request.query_params.get("then"))
        return self.renderer.page(request, "login.html", {"title": "Log in", "then": then})

    async def _log_in(self, request: Request) -> Response:
        access = self.house.access
        access.must_be_own_form(request)
        form = await form_of(request)
        then = _then(form.get("then"))
        try:
            secret = await access.accounts.log_in(form.get("password", ""), address_of(request))
        except Refusal as refused:
            context = {
                "title": "Log in",
                "then": then,
                "refused": _why_not(refused),
                "resume": form.get("resume", ""),
                "entered": form.get("entered", ""),
            }
            return self.renderer.page(request, "login.html", context, refused.status, refused.headers)
        access.accounts.log_out(request.cookies.get(access.cookie))
        began, entered = access.accounts.session(secret), _entered(form.get("entered", ""))
        if began is not None and form.get("resume") and entered is not None:
            began.unsent, then = (_then(form["resume"]), entered), "/unsent"
        answer = RedirectResponse(then, 303)
        # The browser's own word for how it came here: behind something that ends TLS, the server sees none of it.
        secure = request.headers.get("origin", "").startswith("https:")
        answer.set_cookie(access.cookie, secret, httponly=True, samesite="strict", secure=secure)
        return answer

    async def _log_out(self, request: Request) -> Response:
        access = self.house.access
        form = await form_of(request)
        if access.session(request) is not None:
            access.must_be_form_of_session(request, form.get(FORM_TOKEN, ""))
        access.accounts.log_out(request.cookies.get(access.cookie))
        answer = RedirectResponse("/", 303)
        answer.delete_cookie(access.cookie, httponly=True, samesite="strict")
        return answer


def _why_not(refused: Refusal) -> str:
    """Why a login was refused, for people."""
    return "That is not the house password." if refused.status == 401 else str(refused)


def _entered(text: str) -> dict[str, str] | None:
    """The fields of a form that came along with a login; None where there was none."""
    try:
        fields = json.loads(text)
    except (ValueError, RecursionError):
        return None
    return {str(name): str(value) for name, value in fields.items()} if isinstance(fields, dict) else None


def _then(path: str | None) -> str:
    """A path of this server to go on to: nothing that a browser could take for another's."""
    if path is None or not path.startswith("/") or path[1:2] in ("/", "\\") or not path.isprintable():
        return "/"
    return path
