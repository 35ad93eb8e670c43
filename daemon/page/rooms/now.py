"""Now: what the heater is doing, why, and what would change it."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.routing import Route

from daemon.api.house import House
from daemon.api.latest import Picture
from daemon.api.refusals import Refusal
from rules.errors import BrimfulError

if TYPE_CHECKING:
    from daemon.page.app import Page

PATH, TITLE = "/", "Now"


def routes(page: "Page") -> list[Route]:
    """Its paths."""
    return [
        Route(PATH, page.room("now.html", show), methods=["GET"]),
        Route("/override", page.wish(override), methods=["POST"]),
    ]


def view(picture: Picture) -> Mapping[str, Any]:
    """A picture as the live part of the room shows it."""
    return {"why": picture.why, "today": picture.today, "currency": picture.home.home.currency}


async def show(house: House, request: Request) -> Mapping[str, Any]:
    """What stands in the room."""
    picture = await house.latest.picture()
    if picture is None:
        raise Refusal(503, "loop", "expected the house's state, got none yet", "load the page again in a while")
    return {"title": TITLE, "house": picture.home.home.name, **view(picture)}


async def override(house: House, form: dict[str, str]) -> str:
    """Set the override (order, minutes, heater) or clear it (clear)."""
    if "clear" in form:
        await house.asking.ask("override", {"clear": True})
        return PATH
    try:
        minutes = float(form.get("minutes", ""))
    except ValueError:
        cause = f"expected a number of minutes, got {form.get('minutes', '')[:40]!r}"
        raise BrimfulError("set an override", "minutes", cause, "an override always ends") from None
    wish = {"order": form.get("order", ""), "for_s": minutes * 60, "heater": form.get("heater") or None}
    await house.asking.ask("override", wish)
    return PATH
