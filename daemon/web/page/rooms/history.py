"""The history entered by hand: a table, a form for one row at a time, kept as the CSV file that the verdict reads."""

import asyncio
from collections.abc import Mapping
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from daemon.documents.history_table import HistoryTable, history_path, read_table, save, with_row, without_row
from daemon.web.page.endpoints import Endpoints, lines_of
from daemon.web.server.context import House
from rules.model.errors import BrimfulError
from rules.model.wording import say

PATH, ROOM, TITLE = "/verdict/history", "/value", say("Bills and meter readings")

WORDS = {
    "from": (say("From"), say("its first day, as 2026-01-31")),
    "to": (say("To"), say("the first day no longer in it")),
    "electricity_kwh": (
        say("Electricity bought, kWh"),
        say("for hot water; or for the whole house, if the home file says so"),
    ),
    "gas_kwh": (say("Gas bought, kWh"), say("gross, as billed")),
    "gas_m3": (say("Gas bought, m³"), say("instead of kWh")),
    "gas_kwh_per_m3": (say("kWh in a m³ of gas"), say("your bill names it")),
    "diverted_kwh": (say("Diverted, kWh"), say("by the diverter's own count")),
    "export_kwh": (say("Sold, kWh"), ""),
    "pv_kwh": (say("Solar, kWh"), ""),
    "water_l": (say("Hot water, L"), say("by a water meter")),
    "away_days": (say("Days away"), say("with nobody at home")),
    "outdoor_c": (say("Outdoors, °C"), say("the mean")),
    "inlet_c": (say("Mains water, °C"), say("the mean")),
    "estimated": (say("Estimated"), say("1 if a read at one of its ends was guessed")),
    "note": (say("Note"), ""),
}
"""The columns in words, with a hint."""


def routes(page: Endpoints) -> list[BaseRoute]:
    """Its paths."""

    async def change(request: Request, form: dict[str, str]) -> Response:
        house = page.house
        try:
            await asyncio.to_thread(_changed, house, form)
        except BrimfulError as refused:
            context = await _shown(house, form, lines_of(refused))
            return page.renderer.page(request, "history.html", context, 400)
        house.shelf.forget()
        return RedirectResponse(PATH, 303)

    return [
        Route(PATH, page.room("history.html", show), methods=["GET"]),
        *page.posting(f"{PATH}/row", page.form(change), PATH),
    ]


async def show(house: House, request: Request) -> Mapping[str, Any]:
    """What stands in the room."""
    return await _shown(house, {"row": request.query_params.get("row", "")}, [])


def _changed(house: House, form: Mapping[str, str]) -> None:
    """Write the row that a form holds, or take it out. Raises BrimfulError."""
    table = read_table(history_path(house.home()))
    if form.get("mark") != table.mark:
        cause = say("expected the file as it was shown, got another")
        hint = say("it is shown anew: look, and send it again")
        raise BrimfulError("write the history", table.path.name, cause, hint)
    place = _place(form.get("row", ""))
    save(without_row(table, place) if form.get("remove") and place is not None else with_row(table, place, form))


def _place(text: str) -> int | None:
    return int(text) if text.isascii() and text.isdigit() and len(text) < 6 else None


async def _shown(house: House, form: Mapping[str, str], problems: list[str]) -> Mapping[str, Any]:
    path = history_path(house.home())
    table: HistoryTable | None = None
    try:
        table = await asyncio.to_thread(read_table, path)
    except BrimfulError as refused:
        problems = [*problems, *lines_of(refused)]
    place = _place(form.get("row", ""))
    lines = [{name: row.get(name, "") for name in WORDS} for row in table.rows] if table is not None else []
    known = lines[place] if place is not None and place < len(lines) else {}
    entered = {name: form.get(name, known.get(name, "")) for name in WORDS}
    shown = table.shown if table is not None else ()
    return {
        "title": TITLE,
        "room": ROOM,
        "file": path.name,
        "mark": table.mark if table is not None else "",
        "lines": lines,
        "words": WORDS,
        "shown": shown,
        "seldom": [name for name in WORDS if name not in shown],
        "row": place if known else None,
        "entered": entered,
        "problems": problems,
    }
