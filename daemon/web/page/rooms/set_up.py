"""Set-up: what the broker carries, the signals it may be, and a home file with them beside the one that runs."""

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from daemon.config.load import read_bytes
from daemon.config.model import Home
from daemon.inputs.decode import Source
from daemon.setup.choosing import Place, free_name, places, source_at, with_signals
from daemon.setup.suggest import Suggestion, source_table
from daemon.setup.survey import Survey
from daemon.setup.writing import write
from daemon.web.page.endpoints import Endpoints, lines_of
from daemon.web.page.listening import Listened, Listening
from daemon.web.page.views.set_up import KEEP, NONE, SCALES, signals_shown, topics_shown, unnamed_signals
from daemon.web.server.context import House
from rules.model.errors import BrimfulError
from rules.model.signals import SIGNALS
from rules.model.wording import say

PATH, ROOM, TITLE = "/set-up", "/health", say("Set-up")
SECONDS = ((15, say("15 seconds")), (60, say("a minute")), (300, say("5 minutes")), (600, say("10 minutes")))
CHOSEN_TITLE, WRITTEN_TITLE = say("The signals chosen"), say("Written")
_OP = "choose the signals"


@dataclass(frozen=True, slots=True)
class _Chosen:
    """What a form chose: by signal (None: taken out), and the file and home that come of it."""

    signals: dict[str, Source | None]
    text: str


def routes(page: Endpoints, listening: Listening | None = None) -> list[BaseRoute]:
    """Its paths. listening: a seam for tests."""
    ears = listening or Listening()

    async def show(house: House, request: Request) -> Mapping[str, Any]:
        return _shown(house.home(), ears.last)

    async def listen(request: Request, form: dict[str, str]) -> Response:
        seconds = form.get("seconds", "")
        ears.begin(page.house.broker, float(seconds) if seconds.isdecimal() else 0.0)
        return RedirectResponse(PATH, 303)

    async def choose(request: Request, form: dict[str, str]) -> Response:
        home, heard = page.house.home(), _of(ears, form)
        try:
            chosen = await asyncio.to_thread(_chosen, home, heard, form)
        except BrimfulError as refused:
            context = {**_shown(home, heard), "problems": lines_of(refused), "entered": form}
            return page.renderer.page(request, "set_up.html", context, 400)
        tables = [_table(name, source) for name, source in chosen.signals.items()]
        context = {"title": CHOSEN_TITLE, "room": ROOM, "tables": tables, "entered": form}
        context["file"] = home.file.name
        return page.renderer.page(request, "set_up_chosen.html", context)

    async def keep(request: Request, form: dict[str, str]) -> Response:
        home, heard = page.house.home(), _of(ears, form)
        chosen = await asyncio.to_thread(_chosen, home, heard, form)
        into = await asyncio.to_thread(_write, home, chosen.text)
        context = {"title": WRITTEN_TITLE, "room": ROOM, "into": into.name, "folder": str(into.parent)}
        context["file"] = home.file.name
        return page.renderer.page(request, "set_up_written.html", context)

    return [
        Route(PATH, page.room("set_up.html", show), methods=["GET"]),
        *page.posting(f"{PATH}/listen", page.form(listen), PATH),
        *page.posting(f"{PATH}/choose", page.form(choose), PATH),
        *page.posting(f"{PATH}/write", page.form(keep), PATH),
    ]


def _shown(home: Home, heard: Listened | None) -> Mapping[str, Any]:
    known = None if heard is None else heard.known
    found = None if heard is None else heard.found
    signals = [] if known is None else signals_shown(home.signals, known)
    return {
        "title": TITLE,
        "room": ROOM,
        "seconds": SECONDS,
        "watches": home.watches,
        "under_way": heard is not None and not heard.ended.is_set(),
        "left_s": 0 if heard is None else round(heard.left_s),
        "fault": "" if heard is None else heard.fault,
        "token": "" if heard is None else heard.token,
        "signals": signals,
        "unnamed": unnamed_signals(signals),
        "scales": SCALES,
        "places": [] if found is None else [place.said for place in places(found.readable())],
        "topics": [] if found is None else topics_shown(found),
        "left_out": 0 if found is None else found.left_out,
        "notes": () if known is None else known.notes,
        "faults": [] if found is None else _faults(found),
        "problems": [],
        "entered": {},
    }


def _faults(found: Survey) -> list[str]:
    """Why less was heard than there may be."""
    if found.topics:
        return found.faults
    return [*found.faults, say("nothing was heard: do the broker's access rules let brimful read all topics?")]


def _of(ears: Listening, form: Mapping[str, str]) -> Listened:
    heard = ears.last
    if heard is None or heard.known is None or heard.found is None or form.get("token") != heard.token:
        cause = say("expected choices among what was heard last, got others")
        raise BrimfulError(_OP, "form", cause, say("listen again: {place}", place=PATH))
    return heard


def _chosen(home: Home, heard: Listened, form: Mapping[str, str]) -> _Chosen:
    assert heard.known is not None
    assert heard.found is not None
    guesses = {guess.source.signal: guess for guess in heard.known.guesses}
    known = places(heard.found.readable())
    found: dict[str, Source | None] = {}
    for name in dict.fromkeys((*SIGNALS, *home.signals)):
        picked, place = form.get(f"pick-{name}", KEEP), form.get(f"place-{name}", "").strip()
        scale = form.get(f"scale-{name}", "")
        if place and name in SIGNALS:
            found[name] = _placed(name, place, known, scale)
        elif picked == NONE and name in home.signals:
            found[name] = None
        elif picked != KEEP and name in guesses:
            found[name] = _guessed(guesses[name], picked, scale)
    if not found:
        cause = say("expected a signal that changes, got none")
        raise BrimfulError(_OP, "form", cause, say("choose a place for one"))
    text, _ = with_signals(read_bytes(home.file), home.file, found)
    return _Chosen(found, text)


def _placed(name: str, place: str, known: list[Place], scale: str) -> Source:
    return source_at(name, place, known, float(scale) if scale in SCALES else 1.0)


def _guessed(guess: Suggestion, picked: str, scale: str) -> Source:
    choices = {str(number): source for number, source in enumerate((guess.source, *guess.alternatives))}
    if picked not in choices:
        cause = say("expected one of the places offered, got {got}", got=repr(picked[:40]))
        raise BrimfulError(_OP, f"signals.{guess.source.signal}", cause)
    source = choices[picked]
    if scale not in SCALES:
        return source
    return Source(
        source.signal,
        source.topic,
        source.pointer,
        float(scale),
        minus_pointer=source.minus_pointer,
        time_pointer=source.time_pointer,
    )


def _table(name: str, source: Source | None) -> str:
    return f"# [signals.{name}] is taken out\n" if source is None else source_table(source)


def _write(home: Home, text: str) -> Path:
    into = free_name(home.file)
    write(text, into, mode=home.file.stat().st_mode & 0o666)
    return into
