"""One day of the timeline: its picture, and the reasons that stood at any instant of it."""

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from daemon.web.page.day_queries import day_record, decided_at
from daemon.web.page.endpoints import Endpoints
from daemon.web.page.views.day import DayRecord, brought_up_to
from daemon.web.page.views.day_picture import day_picture
from daemon.web.page.views.day_reasons import ReasonsShown, reasons_shown
from daemon.web.page.views.figures import long_date, utc
from daemon.web.page.views.house import home_facts
from daemon.web.server.context import House
from daemon.web.server.live_state import Picture
from daemon.web.server.refusals import Refusal
from rules.model.wording import say

ROOM = "/timeline"
KEPT_S = 30.0


def routes(page: Endpoints) -> list[Route]:
    """Its paths; they belong to the timeline."""

    async def choose(house: House, request: Request) -> Response:
        return RedirectResponse(f"{ROOM}/{_day(request.query_params.get('on', '')).isoformat()}", 303)

    return [
        Route(f"{ROOM}/day", page.reading(choose), methods=["GET"]),
        Route(f"{ROOM}/{{day}}", page.room("day.html", show), methods=["GET"]),
    ]


async def show(house: House, request: Request) -> Mapping[str, Any]:
    """What stands in the room."""
    picture = await house.picture()
    home, now_s = picture.home, picture.at_s
    facts = home_facts(home)
    day = _day(request.path_params["day"])
    today = utc(now_s).astimezone(ZoneInfo(facts.timezone)).date()
    if not date(1971, 1, 1) <= day <= today:
        raise Refusal(
            404,
            "day",
            say("expected a day up to today, got {day}", day=day.isoformat()),
            say("see {place}", place=ROOM),
        )
    at_s = _at_s(request)
    record = await house.shelf.ask(("day", day), KEPT_S, lambda: day_record(home, day, now_s))
    drawn = day_picture(up_to_now(record, picture), facts.timezone, facts.heaters, at_s)
    reasons: tuple[ReasonsShown, ...] = ()
    if at_s is not None:
        rows = await house.shelf.ask(("decided", at_s), KEPT_S, lambda: decided_at(home, at_s))
        reasons = reasons_shown(rows, at_s, facts.timezone)
    return {
        "title": long_date(day),
        "room": ROOM,
        "day": drawn,
        "reasons": reasons,
        "before": (day - timedelta(days=1)).isoformat(),
        "after": (day + timedelta(days=1)).isoformat() if day < today else "",
    }


def up_to_now(record: DayRecord, picture: Picture) -> DayRecord:
    """Today's record with the level of this moment; another day's as it is."""
    level = picture.why["level"]
    fresh = level["value_pct"] if level is not None and level["fresh"] else None
    now_s = picture.at_s
    return brought_up_to(record, now_s, fresh) if record.from_s <= now_s < record.to_s else record


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        cause = say("expected a date like 2026-06-01, got {got}", got=repr(text[:40]))
        raise Refusal(404, "day", cause, say("see {place}", place=ROOM)) from None


def _at_s(request: Request) -> float | None:
    """The instant that is asked for, UTC seconds."""
    text = request.query_params.get("at", "")
    return float(text) if text.isdecimal() and len(text) <= 11 else None
