"""Now: what the heater is doing, why, and what would change it."""

import asyncio
import contextlib
from collections.abc import Mapping
from math import isfinite, nan
from typing import Any
from zoneinfo import ZoneInfo

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from accounting.model.periods import local_day, midnight_s
from daemon.config.cautions import of_override
from daemon.config.model import Home
from daemon.web.page import ledger_queries as gather
from daemon.web.page.day_queries import day_record
from daemon.web.page.endpoints import Endpoints
from daemon.web.page.rooms.day import up_to_now
from daemon.web.page.state import disk_bytes
from daemon.web.page.views.day_picture import day_picture
from daemon.web.page.views.house import home_facts
from daemon.web.page.views.now import now_room
from daemon.web.page.views.stock import diverted_today, statement
from daemon.web.server.context import House
from daemon.web.server.live_state import Picture
from rules.model.errors import BrimfulError
from rules.model.formatting import duration
from rules.model.wording import say

PATH, TITLE = "/", say("Now")
STOP_KEPT_S, STOCK_KEPT_S, DAY_KEPT_S, MIDNIGHT_KEPT_S = 30.0, 60.0, 60.0, 3 * 3600.0
CAUTION_TITLE = say("Before it heats")
BUTTONS = {"withhold": say("Heater off"), "surplus": say("Take surplus"), "heat": say("Heat from the grid too")}
"""What the override's buttons say."""
PATIENCE_S = 0.7
"""How long the first look waits for the ledger."""


def routes(page: Endpoints) -> list[BaseRoute]:
    """Its paths."""

    async def override(request: Request, form: dict[str, str]) -> Response:
        wish = wish_of(form)
        warned = of_override(page.house.home(), str(wish.get("order", "")))
        if warned and "confirmed" not in form:
            context = {
                "title": CAUTION_TITLE,
                "room": PATH,
                "fields": form,
                "minutes": duration(wish["for_s"]),
                "cautions": warned,
            }
            return page.renderer.page(request, "override_caution.html", context)
        await page.house.asking.ask("override", wish)
        return RedirectResponse(PATH, 303)

    return [
        Route(PATH, page.room("now.html", show), methods=["GET"]),
        *page.posting("/override", page.form(override), PATH),
    ]


def view(house: House, picture: Picture) -> Mapping[str, Any]:
    """A picture as the live part of the room shows it, with what was read from the ledger last."""
    home, now_s, shelf = picture.home, picture.at_s, house.shelf
    facts = home_facts(home)
    stop = shelf.last("stop", STOP_KEPT_S, lambda: gather.last_stop(home, now_s))
    at_s = _midnight_s(home, now_s)
    known = shelf.last(("midnight", at_s), MIDNIGHT_KEPT_S, lambda: (gather.midnight(home, at_s),))
    stock = None
    if known is not None:
        stock = shelf.last(("stock", at_s), STOCK_KEPT_S, lambda: gather.stock_since(home, at_s, known[0]))
    today = local_day(at_s, ZoneInfo(facts.timezone))
    record = shelf.last(("day", at_s), DAY_KEPT_S, lambda: day_record(home, today, now_s))
    lacking = say("it is being worked out")
    if known is not None:
        lacking = say("nothing is settled yet") if home.tank is not None else say("the home file has no [tank] table")
    return {
        "now": now_room(picture.why, picture.health, picture.today, stop, facts, disk_bytes(house)),
        "day": None if record is None else day_picture(up_to_now(record, picture), facts.timezone, facts.heaters),
        "stock": None if stock is None else statement(stock),
        "diverted": diverted_today(picture.today),
        "why_no_stock": no_stock(lacking),
    }


def no_stock(lacking: str) -> str:
    """Why there is no statement of the heat stock. lacking: the cause, within a sentence."""
    return say("No heat stock is shown: {why}.", why=lacking)


async def show(house: House, request: Request) -> Mapping[str, Any]:
    """What stands in the room."""
    picture = await house.picture()
    home, now_s = picture.home, picture.at_s
    with contextlib.suppress(BrimfulError, TimeoutError):  # a ledger that cannot be read stands among the faults
        await asyncio.wait_for(_ready(house, home, now_s), PATIENCE_S)
    heats = any(getattr(getattr(heater, "orders", None), "heat", "") is not None for heater in home.heaters.values())
    return {
        "title": TITLE,
        "room": PATH,
        "orders": tuple((order, words) for order, words in BUTTONS.items() if order != "heat" or heats),
        "heaters": tuple(home.heaters),
        **view(house, picture),
    }


async def _ready(house: House, home: Home, now_s: float) -> None:
    """Have at hand what `view` shows. Years of books take longer than a page may: then a later picture brings it."""
    shelf, at_s = house.shelf, _midnight_s(home, now_s)
    await shelf.ask("stop", STOP_KEPT_S, lambda: gather.last_stop(home, now_s))
    (known,) = await shelf.ask(("midnight", at_s), MIDNIGHT_KEPT_S, lambda: (gather.midnight(home, at_s),))
    await shelf.ask(("stock", at_s), STOCK_KEPT_S, lambda: gather.stock_since(home, at_s, known))
    today = local_day(at_s, ZoneInfo(home.home.timezone))
    await shelf.ask(("day", at_s), DAY_KEPT_S, lambda: day_record(home, today, now_s))


def _midnight_s(home: Home, now_s: float) -> int:
    zone = ZoneInfo(home.home.timezone)
    return midnight_s(local_day(now_s, zone), zone)


def wish_of(form: Mapping[str, str]) -> dict[str, Any]:
    """What the override's form asks for: an order for some minutes, or that it ends. Raises BrimfulError."""
    if "clear" in form:
        return {"clear": True}
    try:
        minutes = float(form.get("minutes", ""))
    except ValueError:
        minutes = nan
    if not isfinite(minutes):
        cause = say("expected a number of minutes, got {got}", got=repr(form.get("minutes", "")[:40]))
        raise BrimfulError("set an override", "minutes", cause, say("an override always ends"))
    return {"order": form.get("order", ""), "for_s": minutes * 60, "heater": form.get("heater") or None}
