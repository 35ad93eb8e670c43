"""What every room of the page is made with: endpoints that show, read, take a form or carry out a wish.

A room is a module of `daemon.web.page.rooms` with

    PATH, TITLE     where it is, and what the way through the page calls it
    routes(page)    its routes, made with `page.room`, `page.reading`, `page.wish` and `page.form`
A form's path answers a GET too, so that a reloaded page or a login never ends at "method not allowed": see `posting`.
"""

import json
from collections.abc import Awaitable, Callable, Mapping
from typing import Any
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from daemon.config.load import ConfigError
from daemon.web.page.rendering import Renderer
from daemon.web.server.access import FORM_TOKEN
from daemon.web.server.context import House
from rules.model.errors import BrimfulError
from rules.model.wording import joined, say

MOST_FIELDS = 400
"""Set-up has three for each signal, those of each heater among them; how long a form is, is bounded before."""
LOGIN_TITLE, UNSENT_TITLE = say("Log in"), say("Send it now?")
Endpoint = Callable[[Request], Awaitable[Response]]
Show = Callable[[House, Request], Awaitable[Mapping[str, Any]]]
Do = Callable[[House, dict[str, str]], Awaitable[str]]
Read = Callable[[House, Request], Awaitable[Response]]
Take = Callable[[Request, dict[str, str]], Awaitable[Response]]


class Endpoints:
    """Makes the endpoints of one house's page."""

    def __init__(self, house: House, renderer: Renderer) -> None:
        self.house = house
        self.renderer = renderer

    def room(self, template: str, show: Show) -> Endpoint:
        """An endpoint that shows a template to whoever may read. show: gives what stands in it."""

        async def answer(request: Request) -> Response:
            if not self.house.access.may_read(request):
                return to_login(request)
            return self.renderer.page(request, template, await show(self.house, request))

        return answer

    def reading(self, read: Read) -> Endpoint:
        """An endpoint that answers whoever may read, with no template. read: gives the answer."""

        async def answer(request: Request) -> Response:
            if not self.house.access.may_read(request):
                return to_login(request)
            return await read(self.house, request)

        return answer

    def form(self, take: Take) -> Endpoint:
        """An endpoint for a form of ours, for whoever may change something. take: gets its fields, gives the answer.

        Who is not logged in (any more) is asked for the password, and what was entered is kept to be sent after it.
        """

        async def answer(request: Request) -> Response:
            form = await form_of(request)
            token = form.pop(FORM_TOKEN, "")
            if self.house.access.wants_login(request):
                return self.login_first(request, form)
            if self.house.access.is_of_former_login(request, token):
                return self.unsent(request, request.url.path, form, 403)
            self.house.access.must_change(request, token)
            answer = await take(request, form)
            self.house.latest.outdated()
            return answer

        return answer

    def wish(self, do: Do) -> Endpoint:
        """An endpoint for a form of ours. do: gets its fields, does what is wished for whoever may, or raises
        BrimfulError; gives the path to go on to."""

        async def take(request: Request, form: dict[str, str]) -> Response:
            return RedirectResponse(await do(self.house, form), 303)

        return self.form(take)

    def posting(self, path: str, endpoint: Endpoint, back: str) -> list[BaseRoute]:
        """A form's path: POST takes it, GET leads to the room it stands in. back: may use the path's parameters."""

        async def lead_back(request: Request) -> Response:
            return RedirectResponse(back.format_map(request.path_params), 303)

        return [Route(path, endpoint, methods=["POST"]), Route(path, lead_back, methods=["GET"])]

    def login_first(self, request: Request, form: dict[str, str]) -> Response:
        """Ask for the password; what was entered goes along."""
        context = {
            "title": LOGIN_TITLE,
            "then": request.url.path,
            "resume": request.url.path,
            "entered": json.dumps(form),
            "refused": say("Your login has ended. What you entered is kept and can be sent after you log in again."),
        }
        return self.renderer.page(request, "login.html", context, 401)

    def unsent(self, request: Request, path: str, form: dict[str, str], status: int = 200) -> Response:
        """Show what was entered before the login, with a button that sends it."""
        context = {"title": UNSENT_TITLE, "path": path, "fields": form}
        return self.renderer.page(request, "unsent.html", context, status)


def lines_of(error: BrimfulError) -> list[str]:
    """An error for people, one problem a line."""
    if isinstance(error, ConfigError):
        return [line for problem in error.problems for line in lines_of(problem)]
    said = joined((joined((error.subject, error.cause), ": "), error.hint), "; ")
    return [said] if said == str(error) else str(error).splitlines()


async def form_of(request: Request) -> dict[str, str]:
    """The fields of a form, each once; files are none."""
    form = await request.form(max_files=0, max_fields=MOST_FIELDS)
    return {name: value for name, value in form.items() if isinstance(value, str)}


def address_of(request: Request) -> str:
    """Where a request comes from, as far as can be known."""
    return request.client.host if request.client is not None else ""


def to_login(request: Request) -> Response:
    return RedirectResponse(f"/login?then={quote(request.url.path, safe='')}", 303)
