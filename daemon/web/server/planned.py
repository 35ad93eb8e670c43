"""Tonight's plan for whoever asks over HTTP: worked out in a thread, once a half hour however many ask."""

from datetime import datetime
from typing import Any

from accounting.ledger import Ledger
from daemon.config.model import Home
from daemon.planning.answering import plan_answer
from daemon.planning.half_hours import half_hour_before
from daemon.web.server.context import House
from rules.planning.store import HALF_HOUR_S


async def plan_of(house: House) -> dict[str, Any]:
    """The plan as of now, by the house's clock. Raises Refusal, and BrimfulError where none can be made."""
    picture = await house.picture()
    home, now_s = picture.home, datetime.fromisoformat(picture.why["at"]).timestamp()
    key = ("plan", half_hour_before(now_s), home.plan)
    answer: dict[str, Any] = await house.shelf.ask(key, HALF_HOUR_S, lambda: _read(home, now_s))
    return answer


def _read(home: Home, now_s: float) -> dict[str, Any]:
    with Ledger.open_reader(home.path_of(home.ledger.path)) as ledger:
        return plan_answer(home, ledger, now_s)
