"""Tonight: how much to heat from the grid, what each choice costs, and the day ahead."""

from collections.abc import Mapping
from typing import Any

from starlette.requests import Request
from starlette.routing import Route

from daemon.web.page.endpoints import Endpoints
from daemon.web.page.views.tonight import HEIGHT, WIDTH, tonight_room
from daemon.web.server.context import House
from daemon.web.server.planned import plan_of
from daemon.web.server.refusals import Refusal
from rules.model.errors import BrimfulError
from rules.model.wording import joined, say

PATH, TITLE = "/tonight", say("Tonight's plan")
ROOM = "/"
"""It belongs to Now."""


def routes(page: Endpoints) -> list[Route]:
    """Its paths."""
    return [Route(PATH, page.room("tonight.html", show), methods=["GET"])]


async def show(house: House, request: Request) -> Mapping[str, Any]:
    """What stands in the room."""
    context: dict[str, Any] = {"title": TITLE, "room": ROOM, "fault": "", "hint": "", "tonight": None}
    try:
        document = await plan_of(house)
    except Refusal:
        raise
    except BrimfulError as refused:
        return {**context, "fault": joined((refused.subject, refused.cause), ": "), "hint": refused.hint}
    return {**context, "tonight": tonight_room(document), "width": WIDTH, "height": HEIGHT}
