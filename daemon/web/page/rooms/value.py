"""Value: what the diverted energy was worth, as a picture, a table and CSV."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from accounting.model.periods import By
from accounting.reports.value_statement import as_csv
from daemon.config.model import Home
from daemon.documents.times import instant
from daemon.documents.value_document import value_answer
from daemon.documents.valuing import Valued
from daemon.web.page import ledger_queries as gather
from daemon.web.page.endpoints import Endpoints
from daemon.web.page.views.figures import utc
from daemon.web.page.views.value import PERIODS, hardware, value_room
from daemon.web.page.views.value_chart import HEIGHT, SUM_HEIGHT, price_changes
from daemon.web.server.context import House
from rules.model.errors import BrimfulError
from rules.model.wording import say

PATH, TITLE = "/value", say("Value")
KEPT_S = 10.0
_SPAN_DAYS: Mapping[str, int] = {"day": 30, "week": 26 * 7, "month": 396}
"""How far back the room begins unless it is asked, days."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What the address asks for. from_, to: as they are typed; *_s: UTC seconds."""

    by: By
    from_: str
    to: str
    from_s: int | None
    to_s: int | None


def routes(page: Endpoints) -> list[Route]:
    """Its paths."""
    return [
        Route(PATH, page.room("value.html", show), methods=["GET"]),
        Route("/value.csv", page.reading(table), methods=["GET"]),
    ]


async def show(house: House, request: Request) -> Mapping[str, Any]:
    """What stands in the room."""
    picture = await house.picture()
    home = picture.home
    today = utc(picture.at_s).astimezone(ZoneInfo(home.home.timezone)).date()
    asked = _asked(request, home, today)
    valued = await _report(house, home, asked)
    return {
        "title": TITLE,
        "room": PATH,
        "value": value_room(value_answer(valued, home), picture.why["prices"], price_changes(home)),
        "hardware": await _hardware(house, home),
        "periods": PERIODS,
        "spans": spans(asked, today),
        "height": HEIGHT,
        "sum_height": SUM_HEIGHT,
        "typed_from": asked.from_,
        "typed_to": asked.to,
        "query": _query(asked),
    }


async def _hardware(house: House, home: Home) -> str:
    """What diverting has brought since its hardware was bought, beside what that cost; "" where none is named."""
    if not home.hardware:
        return ""
    zone = ZoneInfo(home.home.timezone)
    bought = [one.bought for one in home.hardware if one.bought is not None]
    from_s = instant(min(bought).isoformat(), zone) if bought else None
    valued = await _report(house, home, Asked("year", "", "", from_s, None))
    return hardware(value_answer(valued, home), float(sum(one.cost + one.fitting for one in home.hardware)))


async def table(house: House, request: Request) -> Response:
    """The rows as CSV."""
    picture = await house.picture()
    home = picture.home
    today = utc(picture.at_s).astimezone(ZoneInfo(home.home.timezone)).date()
    asked = _asked(request, home, today)
    content = as_csv((await _report(house, home, asked)).report)
    headers = {"Content-Disposition": f'attachment; filename="value-by-{asked.by}.csv"'}
    return Response(content, media_type="text/csv; charset=utf-8", headers=headers)


async def _report(house: House, home: Home, asked: Asked) -> Valued:
    await house.written()
    key = ("value", asked.by, asked.from_s, asked.to_s)
    return await house.shelf.ask(key, KEPT_S, lambda: gather.value(home, asked.by, asked.from_s, asked.to_s))


def _asked(request: Request, home: Home, today: date) -> Asked:
    wanted = request.query_params
    by = wanted.get("by", "day")
    if by not in PERIODS:
        cause = say("expected one of {names}, got {got}", names=", ".join(PERIODS), got=repr(by[:40]))
        raise BrimfulError("show the value", "by", cause)
    from_, to = wanted.get("from", "").strip(), wanted.get("to", "").strip()
    if not from_ and "from" not in wanted and by in _SPAN_DAYS:
        start = today - timedelta(days=_SPAN_DAYS[by])
        from_ = (start.replace(day=1) if by == "month" else start).isoformat()
    zone = ZoneInfo(home.home.timezone)
    from_s, to_s = (instant(text, zone) if text else None for text in (from_, to))
    if from_s is not None and to_s is not None and to_s <= from_s:
        cause = say("expected a day after {begin}, got {got}", begin=from_, got=to)
        raise BrimfulError("show the value", "to", cause)
    return Asked(by, from_, to, from_s, to_s)  # type: ignore[arg-type]


def spans(asked: Asked, today: date) -> list[tuple[str, str, bool]]:
    """Spans that are one tap away: words, the address's query, whether it is the one that is shown."""
    month, year = today.replace(day=1), today.replace(month=1, day=1)
    last = (month - timedelta(days=1)).replace(day=1)
    offered = (
        (say("7 days"), "day", today - timedelta(days=6), None),
        (say("31 days"), "day", today - timedelta(days=30), None),
        (say("this month"), "day", month, None),
        (say("last month"), "day", last, month),
        (say("this year"), "month", year, None),
        (say("12 months"), "month", (month - timedelta(days=330)).replace(day=1), None),
        (say("all"), "month", None, None),
    )
    found: list[tuple[str, str, bool]] = []
    for words, by, start, end in offered:
        from_, to = (day.isoformat() if day is not None else "" for day in (start, end))
        shown = (asked.by, asked.from_, asked.to) == (by, from_, to)
        found.append((words, urlencode({"by": by, "from": from_, "to": to}), shown))
    return found


def _query(asked: Asked) -> Callable[..., str]:
    def query(by: str = asked.by) -> str:
        wanted = {"by": by}
        if by == asked.by:
            wanted |= {"from": asked.from_, "to": asked.to}
        return urlencode(wanted)

    return query
