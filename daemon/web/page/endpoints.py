"""What every room of the page is made with: endpoints that show, read, take a form or carry out a wish.

A room is a module of `daemon.web.page.rooms` with

    PATH, TITLE     where it is, and what the way through the page calls it
    routes(page)    its routes, made with `page.room`, `page.reading`, `page.wish` and `page.form`
"""

from collections.abc import Awaitable, Callable, Mapping
from typing import Any
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from daemon.web.page.rendering import Renderer
from daemon.web.server.access import FORM_TOKEN
from daemon.web.server.context import House

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
        """An endpoint for a form of ours, for whoever may change something. take: told its fields, gives the answer."""

        async def answer(request: Request) -> Response:
            form = await form_of(request)
            self.house.access.must_change(request, form.pop(FORM_TOKEN, ""))
            return await take(request, form)

        return answer

    def wish(self, do: Do) -> Endpoint:
        """An endpoint for a form of ours. do: told its fields, does what is wished for whoever may, or raises
        BrimfulError; gives the path to go on to."""

        async def take(request: Request, form: dict[str, str]) -> Response:
            return RedirectResponse(await do(self.house, form), 303)

        return self.form(take)


async def form_of(request: Request) -> dict[str, str]:
    """The fields of a form, each once; files are none."""
    form = await request.form(max_files=0, max_fields=100)
    return {name: value for name, value in form.items() if isinstance(value, str)}


def address_of(request: Request) -> str:
    """Where a request comes from, as far as can be known."""
    return request.client.host if request.client is not None else ""


def to_login(request: Request) -> Response:
    return RedirectResponse(f"/login?then={quote(request.url.path, safe='')}", 303)
