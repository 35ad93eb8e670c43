"""The page: its rooms, the live stream, login and logout, and the files beside them."""

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from daemon.web.page.endpoints import Endpoints, address_of, form_of, to_login
from daemon.web.page.files import file_routes
from daemon.web.page.live import Live
from daemon.web.page.rendering import Renderer
from daemon.web.page.rooms import health, now, rules, timeline, value
from daemon.web.server.access import COOKIE, FORM_TOKEN
from daemon.web.server.context import House
from daemon.web.server.refusals import Refusal, status_of
from rules.model.errors import BrimfulError

ROOMS = (now, value, rules, health, timeline)
"""In the order of the way through the page."""


class Page(Endpoints):
    """Everything that is not under /api/."""

    def __init__(self, house: House) -> None:
        rooms = [(room.PATH, room.TITLE) for room in ROOMS]
        super().__init__(house, Renderer(house.access, rooms, lambda: house.home().home.name))

    def routes(self) -> list[BaseRoute]:
        """All its paths."""
        live = Live(
            self.house.latest, lambda picture: self.renderer.part("now_live.html", now.view(self.house, picture))
        )

        async def follow(request: Request) -> Response:
            self.house.access.must_read(request)
            return live.stream()

        routes: list[BaseRoute] = [route for room in ROOMS for route in room.routes(self)]
        return [
            *routes,
            Route("/live", follow, methods=["GET"]),
            Route("/login", self._login, methods=["GET"]),
            Route("/login", self._log_in, methods=["POST"]),
            Route("/logout", self._log_out, methods=["POST"]),
            *file_routes(),
        ]

    def trouble(self, request: Request, error: BrimfulError) -> Response:
        """An error as a page; a missing login as the way there."""
        if isinstance(error, Refusal) and error.status == 401 and request.method == "GET":
            return to_login(request)
        headers = error.headers if isinstance(error, Refusal) else {}
        context = {"title": "Not done", "lines": str(error).splitlines()}
        return self.renderer.page(request, "trouble.html", context, status_of(error), headers)

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
            context = {"title": "Log in", "then": then, "refused": str(refused)}
            return self.renderer.page(request, "login.html", context, refused.status, refused.headers)
        access.accounts.log_out(request.cookies.get(COOKIE))
        answer = RedirectResponse(then, 303)
        # The browser's own word for how it came here: behind something that ends TLS, the server sees none of it.
        secure = request.headers.get("origin", "").startswith("https:")
        answer.set_cookie(COOKIE, secret, httponly=True, samesite="strict", secure=secure)
        return answer

    async def _log_out(self, request: Request) -> Response:
        access = self.house.access
        form = await form_of(request)
        if access.session(request) is not None:
            access.must_be_form_of_session(request, form.get(FORM_TOKEN, ""))
        access.accounts.log_out(request.cookies.get(COOKIE))
        answer = RedirectResponse("/", 303)
        answer.delete_cookie(COOKIE, httponly=True, samesite="strict")
        return answer


def _then(path: str | None) -> str:
    """A path of this server to go on to: nothing that a browser could take for another's."""
    if path is None or not path.startswith("/") or path[1:2] in ("/", "\\") or not path.isprintable():
        return "/"
    return path
