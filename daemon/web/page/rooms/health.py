"""Health: what needs the owner, and how everything is that heater and books depend on."""

from collections.abc import Mapping
from typing import Any

from starlette.requests import Request
from starlette.routing import Route

from daemon.web.page import ledger_queries as gather
from daemon.web.page.endpoints import Endpoints
from daemon.web.page.views.health import HEIGHT, SPARK_HOURS, WIDTH, health_room
from daemon.web.page.views.house import home_facts
from daemon.web.server.context import House
from daemon.web.server.refusals import Refusal
from rules.model.errors import BrimfulError
from rules.model.wording import say

PATH, TITLE = "/health", say("Health")
KEPT_S = 10.0


def routes(page: Endpoints) -> list[Route]:
    """Its paths."""
    return [Route(PATH, page.room("health.html", show), methods=["GET"])]


async def show(house: House, request: Request) -> Mapping[str, Any]:
    """What stands in the room."""
    picture = await house.picture()
    home, health = picture.home, picture.health
    if health is None:
        raise Refusal(503, "ledger", say("expected one that can be read"), say("see the alarms on Now"))
    now_s = picture.at_s
    try:
        hours = await house.shelf.ask("hours", KEPT_S, lambda: gather.hours(home, now_s, SPARK_HOURS))
    except BrimfulError:
        hours = gather.Hours([], None)  # it stands among the faults
    return {
        "title": TITLE,
        "room": PATH,
        "health": health_room(health, hours.rows, hours.free_bytes, home_facts(home)),
        "watches": home.watches,
        "hours": SPARK_HOURS,
        "width": WIDTH,
        "height": HEIGHT,
    }
