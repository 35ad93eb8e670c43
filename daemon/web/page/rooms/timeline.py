"""Timeline: tariffs, settings, hardware, absences, alarms, and the owner's own notes."""

from collections.abc import Mapping
from typing import Any
from zoneinfo import ZoneInfo

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from daemon.recording.owner_notes import KINDS as NOTE_KINDS
from daemon.recording.owner_notes import LONGEST, notes_of
from daemon.web.page import ledger_queries as gather
from daemon.web.page.endpoints import Endpoints, lines_of
from daemon.web.page.views.figures import long_date, utc
from daemon.web.page.views.timeline import KIND_WORDS, KINDS, timeline
from daemon.web.server.context import House
from daemon.web.server.refusals import Refusal
from rules.model.errors import BrimfulError
from rules.model.wording import say

PATH, TITLE = "/timeline", say("Timeline")
WITHDRAW_TITLE = say("Withdraw the note?")
KEPT_S = 10.0


def routes(page: Endpoints) -> list[BaseRoute]:
    """Its paths."""

    async def add(request: Request, form: dict[str, str]) -> Response:
        try:
            await page.house.asking.ask("note", {name: form.get(name, "") for name in ("day", "kind", "text")})
        except BrimfulError as refused:
            context = await _shown(page.house, "", form, lines_of(refused))
            return page.renderer.page(request, "timeline.html", context, 400)
        page.house.shelf.forget()
        return RedirectResponse(PATH, 303)

    return [
        Route(PATH, page.room("timeline.html", show), methods=["GET"]),
        *page.posting(f"{PATH}/note", page.form(add), PATH),
        Route(f"{PATH}/withdraw", page.wish(withdraw), methods=["POST"]),
        Route(f"{PATH}/withdraw", page.room("withdraw.html", ask_first), methods=["GET"]),
    ]


async def show(house: House, request: Request) -> Mapping[str, Any]:
    """What stands in the room."""
    kind = request.query_params.get("kind", "")
    return await _shown(house, kind if kind in KINDS else "", {}, [])


async def ask_first(house: House, request: Request) -> Mapping[str, Any]:
    """The note that is to be withdrawn, to be looked at once more."""
    wanted = request.query_params.get("note", "")
    picture = await house.picture()
    home, now_s = picture.home, picture.at_s
    events = await house.shelf.ask("events", KEPT_S, lambda: gather.events(home, now_s))
    note = next((note for note in notes_of(events) if note.id == wanted), None)
    if note is None:
        raise Refusal(404, "note", say("expected a note that stands"), say("see {place}", place=PATH))
    shown = {"note": note, "kind": KIND_WORDS.get(note.kind, note.kind), "day": long_date(note.day)}
    return {"title": WITHDRAW_TITLE, "room": PATH, **shown}


async def withdraw(house: House, form: dict[str, str]) -> str:
    """Take a note back."""
    await house.asking.ask("withdraw", {"note": form.get("note", "")})
    house.shelf.forget()
    return PATH


def note_kinds() -> list[tuple[str, str]]:
    """What a note may be about: as the form sends it, and in words."""
    return [(kind, KIND_WORDS.get(kind, kind)) for kind in NOTE_KINDS]


async def _shown(house: House, kind: str, entered: Mapping[str, str], problems: list[str]) -> Mapping[str, Any]:
    picture = await house.picture()
    home, now = picture.home, utc(picture.at_s)
    events = await house.shelf.ask("events", KEPT_S, lambda: gather.events(home, now.timestamp()))
    today = now.astimezone(ZoneInfo(home.home.timezone)).date().isoformat()
    return {
        "title": TITLE,
        "room": PATH,
        "months": timeline(home, events, now.timestamp(), kind),
        "kinds": KINDS,
        "kind": kind,
        "note_kinds": note_kinds(),
        "longest": LONGEST,
        "days": gather.EVENT_DAYS,
        "today": today,
        "problems": problems,
        "entered": {
            "day": entered.get("day") or today,
            "kind": entered.get("kind", ""),
            "text": entered.get("text", ""),
        },
    }
