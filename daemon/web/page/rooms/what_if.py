"""What if: one or two keys with other values, tried on the home's own recorded minutes and a model of its tank."""

import asyncio
from collections.abc import Mapping
from functools import reduce
from typing import Any
from zoneinfo import ZoneInfo

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from daemon.config.model import Home
from daemon.simulation.study.what_if import LAST_S, MOST_KEYS, MOST_VARIANTS, WhatIf, asked
from daemon.web.page.endpoints import Endpoints, lines_of
from daemon.web.page.trials import Begun
from daemon.web.page.views.what_if import BAR_H, keys_of, name_of, what_if_found
from daemon.web.server.context import House
from rules.model.errors import BrimfulError
from rules.model.wording import say

PATH, ROOM, TITLE = "/what-if", "/rules", say("What if")
FIELDS = tuple(range(1, MOST_KEYS + 1))


def routes(page: Endpoints) -> list[BaseRoute]:
    """Its paths."""
    begun: Begun[WhatIf, list[str]] = Begun()

    async def try_it(request: Request, form: dict[str, str]) -> Response:
        home = page.house.home()
        wanted = _wanted(form)
        try:
            settings = await asyncio.to_thread(asked, home, wanted)
        except BrimfulError as refused:
            context = {**_form(home, form), "problems": lines_of(refused)}
            return page.renderer.page(request, "what_if.html", context, 400)
        names = [name_of(setting) for setting in settings]
        return RedirectResponse(f"{PATH}/{begun.begin(lambda: WhatIf(home, settings), names)}", 303)

    async def show_run(house: House, request: Request) -> Response:
        found = begun.find(request.path_params["run"])
        if found is None:  # the daemon was restarted, or others were begun since
            return RedirectResponse(PATH, 303)
        work, names = found
        home = house.home()
        template = "what_if_part.html" if "part" in request.query_params else "what_if_run.html"
        answer = page.renderer.page(request, template, _run(work, names, home))
        answer.headers["X-Ended"] = "yes" if work.ended else "no"
        return answer

    return [
        Route(PATH, page.room("what_if.html", show), methods=["GET"]),
        *page.posting(f"{PATH}/try", page.form(try_it), PATH),
        Route(f"{PATH}/{{run}}", page.reading(show_run), methods=["GET"]),
    ]


async def show(house: House, request: Request) -> Mapping[str, Any]:
    """What stands in the room."""
    return _form(house.home(), {})


def _wanted(form: Mapping[str, str]) -> dict[str, str]:
    """The keys of the form with their values; a field without a key is left out."""
    pairs = [(form.get(f"key{n}", "").strip(), form.get(f"values{n}", "").strip()) for n in FIELDS]
    return {key: values for key, values in pairs if key}


def _form(home: Home, entered: Mapping[str, str]) -> dict[str, Any]:
    return {
        "title": TITLE,
        "room": ROOM,
        "keys": keys_of(home),
        "fields": [(n, entered.get(f"key{n}", ""), entered.get(f"values{n}", "")) for n in FIELDS],
        "most": MOST_VARIANTS - 1,
        "has_tank": home.tank is not None,
        "problems": (),
    }


def question(names: list[str]) -> str:
    """The question that is being answered, of the variants' names."""
    first, *others = names
    either = reduce(lambda said, name: say("{first}; or {next}", first=said, next=name), others, first)
    return say("What if {either}?", either=either)


def _run(work: WhatIf, names: list[str], home: Home) -> dict[str, Any]:
    shown = what_if_found(work.found, ZoneInfo(home.home.timezone)) if work.found is not None else None
    return {
        "title": say("What if, tried"),
        "room": ROOM,
        "ended": work.ended,
        "done": work.done,
        "fault": work.fault,
        "asked": question(names[1:]),
        "found": shown,
        "currency": home.home.currency,
        "bar_h": BAR_H,
        "days": round(LAST_S / 86_400),
    }
