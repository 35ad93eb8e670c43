"""The history entered by hand: a table, a form for one row at a time, kept as the CSV file that the verdict reads."""

import asyncio
from collections.abc import Mapping
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from daemon.documents.history_table import HistoryTable, history_path, read_table, save, with_row, without_row
from daemon.web.page.endpoints import Endpoints
from daemon.web.server.context import House
from rules.model.errors import BrimfulError

PATH, ROOM, TITLE = "/verdict/history", "/value", "Bills and meter readings"

WORDS = {
    "from": ("From", "its first day, as 2026-01-31"),
    "to": ("To", "the first day no longer in it"),
    "electricity_kwh": ("Electricity bought, kWh", "for hot water; or for the whole house, if the home file says so"),
    "gas_kwh": ("Gas bought, kWh", "gross, as billed"),
    "gas_m3": ("Gas bought, m³", "instead of kWh"),
    "gas_kwh_per_m3": ("kWh in a m³ of gas", "your bill names it"),
    "diverted_kwh": ("Diverted, kWh", "by the diverter's own count"),
    "export_kwh": ("Sold, kWh", ""),
    "pv_kwh": ("Solar, kWh", ""),
    "water_l": ("Hot water, L", "by a water meter"),
    "away_days": ("Days away", "with nobody at home"),
    "outdoor_c": ("Outdoors, °C", "the mean"),
    "inlet_c": ("Mains water, °C", "the mean"),
    "estimated": ("Estimated", "1 if a read at one of its ends was guessed"),
    "note": ("Note", ""),
}
"""The columns in words, with a hint."""


def routes(page: Endpoints) -> list[BaseRoute]:
    """Its paths."""

    async def change(request: Request, form: dict[str, str]) -> Response:
        house = page.house
        try:
            await asyncio.to_thread(_changed, house, form)
        except BrimfulError as refused:
            context = await _shown(house, form, str(refused).splitlines())
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
        cause = "expected the file as it was shown, got another"
        raise BrimfulError("write the history", table.path.name, cause, "it is shown anew: look, and send it again")
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
        problems = [*problems, *str(refused).splitlines()]
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
