"""Verdict: was it worth it? Reckoned in a process of its own, an hour at most before it is looked at."""

from collections.abc import Mapping
from typing import Any

from starlette.requests import Request
from starlette.routing import Route

from daemon.documents.verdict_blocks import blocks
from daemon.documents.verdict_text import headline
from daemon.simulation.advised_rules import reckon_apart
from daemon.web.page.endpoints import Endpoints
from daemon.web.server.context import House
from rules.model.errors import BrimfulError
from rules.model.wording import say

NOT_YET = say("Can't tell yet.")
PATH, ROOM, TITLE = "/verdict", "/value", say("Verdict")
KEPT_S = 3600.0


def routes(page: Endpoints) -> list[Route]:
    """Its paths."""
    return [Route(PATH, page.room("verdict.html", show), methods=["GET"])]


async def show(house: House, request: Request) -> Mapping[str, Any]:
    """What stands in the room."""
    file = house.home().file
    context: dict[str, Any] = {"title": TITLE, "room": ROOM, "fault": "", "headline": NOT_YET, "blocks": []}
    try:
        document = await house.shelf.ask("verdict", KEPT_S, lambda: reckon_apart(file))
    except BrimfulError as refused:
        return {**context, "fault": refused.cause}
    return {**context, "headline": headline(document), "blocks": blocks(document)}
