"""The ledger's answers over the API, the same as the commands' `--json`: read in threads, kept for a few seconds."""

from collections.abc import Callable, Mapping
from typing import Any
from zoneinfo import ZoneInfo

from starlette.requests import Request

from accounting.ledger import Ledger
from accounting.model.periods import BY, By
from accounting.reports.heat_stock import stock_report
from daemon.config.model import Home
from daemon.documents.stock_document import heat_stock, stock_answer
from daemon.documents.times import instant
from daemon.documents.value_document import value_answer
from daemon.documents.valuing import home_value
from daemon.web.server.context import House
from daemon.web.server.planned import plan_of
from rules.model.errors import BrimfulError

OP = "read the ledger"
KEPT_S = 5.0
MOST_ROWS = 5000
_DAY_S = 86_400
_LENGTHS_S: Mapping[By, int] = {"day": _DAY_S, "week": 7 * _DAY_S, "month": 30 * _DAY_S, "year": 365 * _DAY_S}

Answer = dict[str, Any]
Make = Callable[[Home, Ledger, By | None, int | None, int | None], Answer]


async def value(house: House, request: Request) -> Answer:
    """What the diverted energy was worth. by (default day), from, to."""
    return await _answered(house, request, "value", _value, "day")


async def stock(house: House, request: Request) -> Answer:
    """The heat stock's accounts. by (default: the total alone), from, to."""
    return await _answered(house, request, "stock", _stock, None)


async def plan(house: House, request: Request) -> Answer:
    """Tonight's plan. No parameters."""
    for key in request.query_params:
        raise BrimfulError(OP, key[:40], "expected no parameters")
    return await plan_of(house)


async def _answered(house: House, request: Request, name: str, make: Make, usually: By | None) -> Answer:
    home = house.home()
    query = request.query_params
    for key in query:
        if key not in ("by", "from", "to"):
            raise BrimfulError(OP, key[:40], "expected one of by, from, to")
    by = query.get("by", usually)
    if by is not None and by not in BY:
        raise BrimfulError(OP, "by", f"expected one of {', '.join(BY)}, got {by[:40]!r}")
    zone = ZoneInfo(home.home.timezone)
    from_s, to_s = (instant(query[key], zone) if key in query else None for key in ("from", "to"))
    if from_s is not None and to_s is not None and to_s <= from_s:
        raise BrimfulError(OP, "to", f"expected a time after {query['from'][:40]}, got {query['to'][:40]}")

    def read() -> Answer:
        with Ledger.open_reader(home.path_of(home.ledger.path)) as ledger, ledger.still():
            _bound(home, ledger, by, from_s, to_s)
            return make(home, ledger, by, from_s, to_s)

    await house.written()
    answer: Answer = await house.shelf.ask((f"api {name}", by, from_s, to_s), KEPT_S, read)
    return answer


def _value(home: Home, ledger: Ledger, by: By | None, from_s: int | None, to_s: int | None) -> Answer:
    return value_answer(home_value(ledger, home, by or "day", from_s, to_s), home)


def _stock(home: Home, ledger: Ledger, by: By | None, from_s: int | None, to_s: int | None) -> Answer:
    tank = heat_stock(home)
    return stock_answer(stock_report(ledger, tank, by, from_s, to_s, home.home.timezone), tank, home)


def _bound(home: Home, ledger: Ledger, by: By | None, from_s: int | None, to_s: int | None) -> None:
    """Refuse what would give more rows than anybody reads at once. The command has no such bound."""
    if by is None:
        return
    spans = ledger.heater_spans()
    first_s = from_s if from_s is not None else min((span.first_s for span in spans), default=0)
    last_s = to_s if to_s is not None else max((span.end_s for span in spans), default=first_s)
    rows = (last_s - first_s) // _LENGTHS_S.get(by, home.home.interval_minutes * 60)
    if rows > MOST_ROWS:
        cause = f"expected a span of at most {MOST_ROWS} rows, got about {rows}"
        raise BrimfulError(OP, "by", cause, "give from and to, or a longer by")
