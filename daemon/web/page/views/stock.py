"""The heat stock set as a statement: opening, received by source, drawn, lost, closing."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from daemon.web.page.views.figures import fixed, share
from rules.model.wording import Number, say

SOURCES = {
    "sun": say("from the sun"),
    "battery": say("from the battery"),
    "boiler": say("from the boiler"),
    "before": say("from before the books"),
    "surroundings": say("from the warmer room"),
    "unexplained": say("unexplained"),
}
ACCOUNTS = {
    "received": say("received"),
    "drawn": say("drawn"),
    "lost": say("lost"),
    "unexplained": say("unexplained"),
}
_OUT = ("drawn", "lost", "unexplained")


@dataclass(frozen=True, slots=True)
class StockLine:
    """A line of the statement. style: "sub" for a part of the line above, "close" for the last."""

    name: str
    kwh: str
    cost: str
    kg: str
    style: str = ""


@dataclass(frozen=True, slots=True)
class Statement:
    """The statement, and sentences on what it rests on."""

    span: str
    currency: str
    lines: tuple[StockLine, ...]
    notes: tuple[str, ...]


def statement(answer: Mapping[str, Any]) -> Statement | None:
    """The whole span's statement, of the answer to `stock` (brimful.stock/1); None where nothing is booked in it."""
    total = answer["total"]
    if not total["coverage"] and not total["opening"]["kwh"] and not total["closing"]["kwh"]:
        return None
    lines = [_line(say("opening stock"), total["opening"])]
    for account in ("received", *_OUT):
        lot = total[account]
        if account == "unexplained" and not lot["kwh"]:
            continue
        sign = -1 if account in _OUT else 1
        lines.append(_line(ACCOUNTS[account], lot, sign))
        if account == "received" and lot["by_source"]:
            by_size = sorted(lot["by_source"].items(), key=lambda item: -item[1]["kwh"])
            lines += [_line(_source(name), lot, sign, "sub") for name, lot in by_size]
    lines.append(_line(say("closing stock"), total["closing"], style="close"))
    start, end = (datetime.fromisoformat(total[name]) for name in ("start", "end"))
    span = say("{begin} to {end}", begin=start.strftime("%H:%M"), end=end.strftime("%H:%M"))
    return Statement(span, answer["currency"], tuple(lines), tuple(_notes(total, answer)))


def diverted_today(today: Mapping[str, Any] | None) -> dict[str, str] | None:
    """Today's diverted figures as they are set, where there is no heat stock."""
    if today is None:
        return None
    return {
        "currency": today["currency"],
        "kwh": fixed(today["diverted_kwh"], 3),
        "avoided": fixed(today["avoided"]),
        "given_up": fixed(-today["given_up"]),
        "net": fixed(today["net"], sign=True),
    }


def _line(name: str, lot: Mapping[str, Any], sign: int = 1, style: str = "") -> StockLine:
    return StockLine(name, fixed(sign * lot["kwh"], 3), fixed(sign * lot["cost"]), fixed(sign * lot["kg"]), style)


def _source(name: str) -> str:
    kind, _, band = name.partition(":")
    if kind == "grid":
        return say("from the grid, {band}", band=band) if band else say("from the grid")
    return SOURCES.get(name, name)


def _notes(total: Mapping[str, Any], answer: Mapping[str, Any]) -> list[str]:
    said: list[str] = []
    if total["average_cost_per_kwh"] is not None:
        money = Number(f"{fixed(total['average_cost_per_kwh'], 4)} {answer['currency']}")
        said.append(say("A kWh on hand cost {money} on average.", money=money))
    measured = share(total["coverage"])
    if total["metered_share"] == 1:
        how = say("Drawn is by the water meter; the level was measured for {share} of the time.", share=measured)
    else:
        how = say(
            "Drawn is inferred from level, inputs and loss; the level was measured for {share} of the time.",
            share=measured,
        )
    return [*said, how]
