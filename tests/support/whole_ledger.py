"""A ledger with something in every table, and everything that it is asked for."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from accounting.ledger import Batch, DecisionRow, EventRow, Ledger, OutboxKey, Refused
from accounting.ledger.tape import pack, unpack
from accounting.model.entry import Posting, TankEntry
from accounting.model.journal import postings
from accounting.reports.heat_stock import stock_report
from accounting.reports.value import value_report
from rules.model.errors import BrimfulError
from rules.model.orders import Finding, Order, Verdict
from tests.support.ledgers import HALF_HOUR_S, QUAY, START_S, entry, new_ledger
from tests.support.prices import TANK

PLACES = 60
EVER = 1e11
FOUND = (Finding("full", Verdict.FORBID, "tank 96 %, full since 13:10", "resumes below 88 %"),)


def heated(place: int, wh: int) -> TankEntry:
    """An interval of the tank: all of the heat drawn but 20 Wh lost."""
    lines = (Posting("sun", -wh, -wh * 55, -wh * 255), Posting("drawn", wh - 20), Posting("lost", 20))
    return TankEntry(START_S + place * HALF_HOUR_S, HALF_HOUR_S, 1500, 3000, place % 2 == 0, postings=lines)


def write(folder: Path) -> Path:
    """Two heaters, some revised, some restated, some sent and refused, with tank, decisions, events, tape and state."""
    facts = replace(QUAY, heaters=("main", "upper"))
    with new_ledger(folder, facts) as ledger:
        for place in range(PLACES):
            wh = 300 + 7 * place
            settled = replace(
                entry(place, wh, "upper" if place % 5 == 4 else "main"),
                used="9/10",
                given_up_marginal_mg=wh * 300,
                avoided_marginal_mg=wh * 180,
                bought_marginal_mg=0,
                postings=postings(wh, wh * 55, wh * 255),
            )
            ledger.commit(
                Batch(
                    settled.end_s + 120.0,
                    entries=(settled,),
                    open_entries=(entry(PLACES, 55 + place),),
                    tank=(heated(place, wh),),
                    decisions=(
                        DecisionRow(
                            settled.start_s + 0.5, settled.heater, Order.WITHHOLD, None, "full", "96 %", "", FOUND
                        ),
                    )
                    * (place % 4 == 0),
                    events=(EventRow(settled.start_s + 0.25, "level", "alarm", "no level", {"age_s": 901.5}),)
                    * (place % 6 == 0),
                    state={"meter": {"main": {"wh": place}}, "memory": {"since_s": 1.5}},
                    tape=pack([(settled.end_s, {"grid_w": -1.5 * place, "tank_level_pct": 60.0})]),
                )
            )
        number = ledger.begin_restatement(START_S + 1e7, "a new price", START_S, START_S + 10 * HALF_HOUR_S)
        dearer = [
            (key, replace(one, avoided_micro=one.avoided_micro + 10, reason="restated: a new price"))
            for key, one in ledger.standing(0, EVER)[:8]
        ]
        ledger.restate(number, dearer, [heated(2, 700)], START_S + 1e7)
        ledger.finish_restatement(number, START_S + 1e7, EventRow(START_S + 1e7, "restatement", "note", "restated"))
        keys = [item.key for item in ledger.outbox_peek(1000)]
        refused = tuple(Refused(OutboxKey(*key), "a bad point") for key in keys[20:23])
        ledger.commit(Batch(entry(PLACES).end_s, delivered=tuple(keys[:20]), refused=refused))
        ledger.prune("decision", START_S + 20 * HALF_HOUR_S)
        return ledger.path


ASKED: dict[str, Callable[[Ledger], Any]] = {
    "facts": lambda ledger: ledger.facts(),
    "value": lambda ledger: value_report(ledger, "interval"),
    "value then": lambda ledger: value_report(ledger, "year", as_of_s=START_S + 5e6),
    "assumed": lambda ledger: ledger.assumed(0, EVER),
    "spans": lambda ledger: ledger.heater_spans(),
    "entries": lambda ledger: ledger.entries(0, EVER),
    "open": lambda ledger: ledger.open_entries(),
    "versions": lambda ledger: list(ledger.chains(0, EVER)),
    "restatements": lambda ledger: [ledger.restatements(), ledger.unfinished_restatement()],
    "journal": lambda ledger: list(ledger.journal(0, EVER)),
    "tank": lambda ledger: list(ledger.tank_entries(0, EVER)),
    "tank heat": lambda ledger: [ledger.tank_heat(0, 2**40), ledger.tank_span()],
    "stock": lambda ledger: stock_report(ledger, TANK, "day"),
    "why": lambda ledger: [ledger.decision_at(START_S + place * 9000) for place in range(20)],
    "decisions": lambda ledger: ledger.decisions(0, EVER),
    "events": lambda ledger: ledger.events(0, EVER),
    "tape": lambda ledger: unpack(ledger.tape(0, EVER)),
    "state": lambda ledger: [ledger.state("meter"), ledger.state("memory"), ledger.known_until_s()],
    "to be sent": lambda ledger: [ledger.outbox_peek(1000), ledger.refused()],
}


def answers(path: Path) -> dict[str, str]:
    """Every answer as text; an error that says what is wrong is an answer too."""
    told = {}
    try:
        with Ledger.open_reader(path) as ledger:
            for name, ask in ASKED.items():
                try:
                    told[name] = repr(ask(ledger))
                except BrimfulError as refused:
                    told[name] = f"refused: {refused}"
    except BrimfulError as closed:
        return dict.fromkeys(ASKED, f"refused: {closed}")
    return told


def seen(path: Path) -> bool:
    """Whether looking the ledger through finds something wrong."""
    try:
        with Ledger.open_reader(path) as ledger:
            return bool(ledger.integrity())
    except BrimfulError:
        return True
