"""The API: what the command line and the page ask, as JSON.

    GET  /api/why            the standing decision and every finding
    GET  /api/health         inputs with their ages, connections, books, alarms
    GET  /api/rule           every rule with its settings
    GET  /api/value          what the diverted energy was worth; by, from, to
    GET  /api/stock          the heat stock's accounts; by, from, to
    GET  /api/plan           tonight's plan: how much to heat, when, at what cost, and why
    GET  /api/written        has the interval in progress written down, for who reads the ledger itself
    GET  /api/openapi.json   all of this as a document (OpenAPI 3.1)
    GET  /metrics            the house now, for a collector of measurements: OpenMetrics, or the older plain text
    POST /api/rule           {"rule": NAME, "set": {KEY: VALUE, …}}
    POST /api/resend         {"ledger": PATH, "intervals": [[START_S, HEATER], …]} to the time-series database
    POST /api/restate        {"ledger": PATH, "from_s": S, "to_s": S, "why": TEXT}; answers with a ticket
    GET  /api/restating      what of that waits, and what came of it, by ticket
    POST /api/override       {"order": ORDER, "for_s": SECONDS, "heater": NAME or null}, or {"clear": true}

Answers are JSON objects; errors are {"error": {"op", "subject", "cause", "hint", "text"}} with status 400 (a person can
mend it), 401 and 403 (who asks may not), 404, 405, 409 (another home is meant), 413, 500 (an error nobody foresaw) or
503 (the loop did not answer in time). "text" is all of it for people, one problem a line.

Each answer carries the home's identity as `Brimful-Home`; a question that carries another's is refused with 409.
Reading is open on this machine. A wish needs the token that lies beside the ledger, as `Authorization: Bearer TOKEN`,
or a login; where others can reach the server, so does a question.
"""

import json
import logging
from collections.abc import Awaitable, Callable
from typing import Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Route
from starlette.types import ASGIApp

from daemon.web.api import ledger_routes as books
from daemon.web.api.client import HOME_HEADER, identity, same_home
from daemon.web.api.metrics import exposition
from daemon.web.page.app import Page
from daemon.web.server.context import House
from daemon.web.server.refusals import JsonAnswer, Refusal, error_answer, status_of
from daemon.web.server.security import Guarded, Hosts
from rules.model.errors import BrimfulError

log = logging.getLogger(__name__)
Endpoint = Callable[[Request], Awaitable[Response]]
QUESTIONS = {
    "/api/why": "why",
    "/api/health": "health",
    "/api/rule": "rules",
    "/api/restating": "restating",
    "/api/written": "written",
}
WISHES = {"/api/rule": "rule", "/api/override": "override", "/api/resend": "resend", "/api/restate": "restate"}
ASKS = (*QUESTIONS.values(), *WISHES.values(), "note", "withdraw")
"""The daemon's commands that API and page ask for."""
READ = {"/api/value": books.value, "/api/stock": books.stock, "/api/plan": books.plan}


def application(house: House, hosts: Hosts) -> ASGIApp:
    """The API and the page."""
    page = Page(house)

    def trouble(request: Request, error: BrimfulError) -> Response:
        if request.url.path.startswith(("/api/", "/metrics")):
            headers = {**_headers(error), **_signed(house)}
            return JsonAnswer(error_answer(error), status_of(error), headers=headers)
        return page.trouble(request, error)

    async def refused(request: Request, error: Exception) -> Response:
        assert isinstance(error, BrimfulError)
        return trouble(request, error)

    async def unknown(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        known = "one of the paths of the API" if request.url.path.startswith("/api") else "one of the page's rooms"
        expected = {404: known, 405: "another method"}.get(error.status_code, "another request")
        headers = dict(error.headers or {})
        return trouble(request, Refusal(error.status_code, request.url.path[:80], f"expected {expected}", "", headers))

    async def gone(request: Request, error: Exception) -> Response:
        return Response(status_code=400)  # who hangs up in the middle is no error of ours, and reads none

    async def unforeseen(request: Request, error: Exception) -> Response:
        cause = f"expected an answer, got {type(error).__name__}"
        return trouble(request, Refusal(500, request.url.path[:80], cause, "see the daemon's log"))

    routes = [Route(path, _question(house, name), methods=["GET"]) for path, name in QUESTIONS.items()]
    routes += [Route(path, _wish(house, name), methods=["POST"]) for path, name in WISHES.items()]
    routes += [Route(path, _read(house, read), methods=["GET"]) for path, read in READ.items()]
    routes.append(Route("/api/openapi.json", _document(house), methods=["GET"]))
    routes.append(Route("/metrics", _metrics(house), methods=["GET"]))
    app = Starlette(
        routes=[*routes, *page.routes()],
        exception_handlers={
            BrimfulError: refused,
            HTTPException: unknown,
            ClientDisconnect: gone,
            Exception: unforeseen,
        },
    )
    app.router.redirect_slashes = False
    return Guarded(app, hosts)


def _headers(error: BrimfulError) -> dict[str, str]:
    return error.headers if isinstance(error, Refusal) else {}


def _identity(house: House) -> str:
    return identity(house.home().file, house.access.token)


def _signed(house: House) -> dict[str, str]:
    """By which an answer says which home it comes from."""
    return {HOME_HEADER: _identity(house)}


def _must_be_meant(house: House, request: Request) -> None:
    """Raises Refusal where the question is for another home: its daemon does not run, and this one has its port."""
    meant = request.headers.get(HOME_HEADER)
    if meant is None or same_home(meant, _identity(house)):
        return
    ours = (
        f"that of {house.home().home.name} ({house.home().file.resolve()})"
        if house.access.may_read(request)
        else "another's"
    )
    hint = f"give each home its own: [api] port = {house.home().api.port + 1}, say"
    raise Refusal(409, "the daemon at this port", f"expected the daemon of your home file, got {ours}", hint)


def _question(house: House, name: str) -> Endpoint:
    async def answer(request: Request) -> Response:
        house.access.must_read(request)
        _must_be_meant(house, request)
        return JsonAnswer(await house.asking.ask(name, {}), headers=_signed(house))

    return answer


def _read(house: House, read: Callable[[House, Request], Awaitable[dict[str, Any]]]) -> Endpoint:
    async def answer(request: Request) -> Response:
        house.access.must_read(request)
        _must_be_meant(house, request)
        return JsonAnswer(await read(house, request), headers=_signed(house))

    return answer


def _metrics(house: House) -> Endpoint:
    async def answer(request: Request) -> Response:
        house.access.must_read(request)
        text, kind = exposition(await house.picture(), request.headers.get("accept", ""))
        return Response(text, headers={"Content-Type": kind, **_signed(house)})

    return answer


def _document(house: House) -> Endpoint:
    """Nothing of the house is in it, so everybody may read it."""

    async def answer(request: Request) -> Response:
        from daemon.web.api.openapi import document  # seldom wanted, and not small

        return JsonAnswer(document(house.access.cookie))

    return answer


def _wish(house: House, name: str) -> Endpoint:
    async def answer(request: Request) -> Response:
        _must_be_meant(house, request)
        house.access.must_change(request)
        return JsonAnswer(await house.asking.ask(name, await arguments_of(request)), headers=_signed(house))

    return answer


async def arguments_of(request: Request) -> dict[str, Any]:
    """A request's JSON object. Raises Refusal."""
    if request.headers.get("content-type", "").partition(";")[0].strip().lower() != "application/json":
        raise Refusal(400, "Content-Type", "expected application/json")
    try:
        arguments = json.loads(await request.body())
    except (ValueError, RecursionError):
        arguments = None
    if not isinstance(arguments, dict):
        raise Refusal(400, "request", "expected a JSON object")
    return arguments
