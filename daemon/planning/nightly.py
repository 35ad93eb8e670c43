"""The running house's plan: made beside the control loop, each half hour anew, kept in the ledger, and followed.

A thread of its own reads the ledger and plans; the loop only asks it and takes the answer. The answer stands until the
next one, or until its hours are over.
"""

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from queue import Empty, SimpleQueue
from typing import Any
from zoneinfo import ZoneInfo

from accounting.ledger import EventRow, Ledger
from accounting.ledger.opening import Connect, connect
from daemon.assembly.prepared_home import prepare
from daemon.config.model import Home
from daemon.control.engine import Engine
from daemon.planning.document import plan_document
from daemon.planning.half_hours import half_hour_before
from daemon.planning.making import make
from daemon.planning.scoring import EVENING_H, LOOK_BACK_S, MADE, outcomes_due, past_of
from daemon.planning.statement import headline
from daemon.recording.unit_of_work import Keeper
from rules.model.errors import BrimfulError
from rules.model.memory import Planned, PlannedRun
from rules.model.reading import Moment
from rules.model.wording import say

log = logging.getLogger(__name__)

PLANNED = "planned"
"""The job by which the loop learns that an answer waits."""
LOOK_S = 60.0
"""How often it is looked whether a plan is due."""
SETTLING_S = 300.0
"""How long after a half hour its figures are waited for."""
MUCH_WH, MUCH_PCT = 500.0, 5.0
"""A plan that differs by more than this from the one kept last, or in its hours, is kept too."""
KEPT = (
    *(
        "made_at",
        "from",
        "to",
        "mode",
        "heat_wh",
        "target_level_pct",
        "runs",
        "expected_cost",
        "confidence",
        "cold_risk",
    ),
    *("days_of_history", "forecast", "forecast_wh", "level_pct", "sun_wh", "drawn_wh", "missing_wh", "heater"),
    "heatings",
)
"""What of a plan is kept in the ledger."""
SAID = (
    *("made_at", "from", "to", "mode", "heat_wh", "target_level_pct", "runs", "expected_cost", "cold_risk", "heater"),
    *("heatings", "given_wh"),
)
"""What of it is published."""


@dataclass(frozen=True, slots=True)
class Answer:
    """document: the plan (None: there is none, for `fault`); planned: what of it the heater is to follow; rows: events
    to keep."""

    document: dict[str, Any] | None
    planned: Planned | None
    rows: tuple[EventRow, ...]
    fault: str = ""


def answered(home: Home, now_s: float, making: Connect = connect) -> Answer:
    """The plan as of an instant, UTC seconds, and what has to be kept. It takes a second or two, and only reads."""
    try:
        made = prepare(home)
        with Ledger.open_reader(home.path_of(home.ledger.path), making) as ledger:
            outcomes = outcomes_due(made, ledger, now_s)
            night = make(made, ledger, now_s)
            document = plan_document(night, home, past_of(ledger, now_s))
            kept = ledger.events(now_s - LOOK_BACK_S, now_s + 1, MADE)
    except BrimfulError as failed:
        return Answer(None, None, (), str(failed))
    rows = list(outcomes)
    former = dict(kept[-1].figures) if kept else None
    if worth_keeping(former, document, ZoneInfo(home.home.timezone)):
        rows.append(EventRow(now_s, MADE, "note", headline(document), {key: document[key] for key in KEPT}))
    heater = night.tank.heater
    follows = home.plan.mode == "follow" and heater and night.plan is not None
    return Answer(document, planned_of(document, heater) if follows else None, tuple(rows))


def planned_of(document: dict[str, Any], heater: str) -> Planned:
    """What a plan orders."""
    return Planned(
        heater,
        tuple(PlannedRun(_at(run["from"]), _at(run["to"]), run["target_level_pct"]) for run in document["runs"]),
    )


def worth_keeping(former: dict[str, Any] | None, document: dict[str, Any], zone: ZoneInfo) -> bool:
    """Whether a plan is kept: the first of each evening, and any that says something else than the last one kept."""
    if former is None:
        return True
    made, was = (datetime.fromtimestamp(_at(each["made_at"]), zone) for each in (document, former))
    if made.hour >= EVENING_H and (was.date() != made.date() or was.hour < EVENING_H):
        return True
    begun_s = _at(document["from"])
    ahead, was_ahead = ([run for run in each["runs"] if _at(run["to"]) > begun_s] for each in (document, former))
    hours, were = ([(max(_at(run["from"]), begun_s), run["to"]) for run in runs] for runs in (ahead, was_ahead))
    if hours != were:
        return True
    return any(
        (run["from"] == other["from"] and abs(run["wh"] - other["wh"]) > MUCH_WH)
        or abs(run["target_level_pct"] - other["target_level_pct"]) > MUCH_PCT
        for run, other in zip(ahead, was_ahead, strict=True)
    )


def _at(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


class Nightly:
    """Asks for a plan when one is due and takes the answer, on the loop's thread; the work is done in another.

    home: the home file as it is obeyed now; put: tells the loop that an answer waits for `done`; beside: False does the
    work at once, for a clock that is moved by hand. fault: why there is no plan, or "".
    """

    def __init__(
        self,
        home: Callable[[], Home],
        put: Callable[[], None],
        *,
        beside: bool = True,
        making: Connect = connect,
    ) -> None:
        self.fault = ""
        self.document: dict[str, Any] | None = None
        self._home = home
        self._put = put
        self._beside = beside
        self._making = making
        self._asked_for: tuple[int, str] | None = None
        self._under_way = False
        self._questions: SimpleQueue[tuple[Home, float] | None] = SimpleQueue()
        self._answers: SimpleQueue[Answer] = SimpleQueue()
        self._thread = threading.Thread(target=self._work, name="plan", daemon=True)

    @property
    def said(self) -> dict[str, Any] | None:
        """The plan in short, for others to follow; None where there is none."""
        return None if self.document is None else {key: self.document[key] for key in SAID}

    def stop(self) -> None:
        """Let what is under way go; nothing of it is written."""
        self._questions.put(None)
        if self._thread.ident is not None:
            self._thread.join(timeout=2.0)

    def look(self, engine: Engine, now: Moment) -> None:
        """Ask for a plan where the home wants one and another half hour is in the books, or its mode has changed."""
        home = self._home()
        mode = home.plan.mode
        if mode != "follow" and engine.memory.planned is not None:
            engine.memory = replace(engine.memory, planned=None)
        if mode == "off":
            self.fault, self.document, self._asked_for = "", None, None
            return
        wanted = half_hour_before(now.utc_s - SETTLING_S), mode
        if self._under_way or wanted == self._asked_for:
            return
        self._asked_for, self._under_way = wanted, True
        self._questions.put((home, now.utc_s))
        if not self._beside:
            self._questions.put(None)
            self._work()
        elif self._thread.ident is None:  # only a home that wants plans has the thread
            self._thread.start()

    def done(self, engine: Engine, keeper: Keeper, now: Moment) -> None:
        """Take the answer: the plan is kept, and followed where the home says so. The owner decides again at once."""
        try:
            answer = self._answers.get_nowait()
        except Empty:
            return
        self._under_way = False
        mode = self._home().plan.mode
        if answer.fault and answer.fault != self.fault:
            log.warning("plan=none %s", answer.fault)
        self.fault = answer.fault
        if answer.fault or mode == "off":
            return  # the one that stands holds until its hours are over
        self.document = answer.document
        keeper.events(answer.rows)
        planned = answer.planned if mode == "follow" else None
        if planned != engine.memory.planned:
            engine.memory = replace(engine.memory, planned=planned)

    def forget(self, engine: Engine) -> None:
        """Let the plan go, for it may be of a wrong date, and have another made at the next look."""
        self.document = self._asked_for = None
        if engine.memory.planned is not None:
            engine.memory = replace(engine.memory, planned=None)

    def _work(self) -> None:
        while (question := self._questions.get()) is not None:
            home, now_s = question
            try:
                answer = answered(home, now_s, self._making)
            except Exception as failed:
                log.exception("plan=failed")
                fault = say("planning failed: {kind}; see the daemon's log", kind=type(failed).__name__)
                answer = Answer(None, None, (), fault)
            self._answers.put(answer)
            self._put()
