"""How past plans did: each night's plan, followed to the letter, against the least that day could have cost.

Plans and their outcomes are events of the ledger, which is only added to.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from accounting.ledger import EventRow, Ledger
from daemon.assembly.prepared_home import PreparedHome
from daemon.planning.half_hours import placed
from daemon.planning.history import PastHalfHour, read_history
from daemon.planning.tank_store import tank_of
from rules.model.wording import Number, joined, say, say_many
from rules.planning.course import COLD_WH
from rules.planning.hindsight import Outcome, least_cost, mean_regret, planned_cost
from rules.planning.store import HALF_HOUR_S

MADE, OUTCOME = "plan.made", "plan.outcome"
"""Names of the events."""
LOOK_BACK_S = 90 * 86_400.0
EVENING_H = 20
"""The plan that stands from this local hour on is the night's, and is the one that is scored."""
SETTLED_AFTER_S = 2 * 3600.0
"""How long after a plan's end its day is taken to be in the books."""
MOST_UNKNOWN = 4
"""Half hours of the plan's day that may be unknown; with more of them it has no score."""


def past_of(ledger: Ledger, at_s: float) -> dict[str, Any]:
    """How the plans of the last 90 days did: nights scored; mean_regret, money per night; mean_short_wh, how much more
    heat was missing a night, in no cost (null: a boiler makes it); mean_draw_error_wh, by how much more or less was
    drawn than expected (null: none was scored).

    Outcomes without `short_wh` are older: they counted cold water as money, and are left out.
    """
    scored = [
        event.figures
        for event in ledger.events(at_s - LOOK_BACK_S, at_s, OUTCOME)
        if event.figures.get("cost") is not None and "short_wh" in event.figures
    ]
    regret = mean_regret([Outcome(float(each["cost"]), float(each["least_cost"])) for each in scored])
    short_wh = [float(each["short_wh"]) for each in scored if each["short_wh"] is not None]
    errors = [
        abs(each["drawn_wh"] - each["expected_drawn_wh"]) for each in scored if each["expected_drawn_wh"] is not None
    ]
    return {
        "nights": len(scored),
        "mean_regret": None if regret is None else round(regret, 4),
        "mean_short_wh": round(sum(short_wh) / len(short_wh)) if short_wh else None,
        "mean_draw_error_wh": round(sum(errors) / len(errors)) if errors else None,
    }


@dataclass(frozen=True, slots=True)
class _Scored:
    """A plan that is to be scored, as it was written."""

    made_at: str
    from_s: int
    to_s: int
    document: dict[str, Any]


def outcomes_due(made: PreparedHome, ledger: Ledger, at_s: float) -> list[EventRow]:
    """The outcomes that are known by now and are not written yet. Raises LedgerError."""
    zone = ZoneInfo(made.home.home.timezone)
    already = {event.figures.get("made_at") for event in ledger.events(at_s - LOOK_BACK_S, at_s + 1, OUTCOME)}
    return [
        _outcome(made, ledger, plan, at_s, zone)
        for plan in _nightly(ledger.events(at_s - LOOK_BACK_S, at_s + 1, MADE), zone)
        if plan.made_at not in already and plan.to_s + SETTLED_AFTER_S <= at_s
    ]


def _nightly(events: Sequence[EventRow], zone: ZoneInfo) -> list[_Scored]:
    """Of each evening the plan that stood at EVENING_H: the last one made before, or the first after."""
    chosen: dict[str, _Scored] = {}
    for event in events:
        document = dict(event.figures)
        try:
            from_s, to_s = (round(datetime.fromisoformat(document[key]).timestamp()) for key in ("from", "to"))
        except (KeyError, TypeError, ValueError):
            continue
        local = datetime.fromtimestamp(from_s, zone)
        if local.hour < EVENING_H:
            continue
        chosen.setdefault(local.date().isoformat(), _Scored(str(document.get("made_at")), from_s, to_s, document))
    return list(chosen.values())


def _outcome(made: PreparedHome, ledger: Ledger, plan: _Scored, at_s: float, zone: ZoneInfo) -> EventRow:
    """What became of the plan's day, as an event. Without a score where too little of the day is known."""
    history = read_history(ledger, made, plan.to_s)
    day = [each for each in history.half_hours if plan.from_s <= each.start_s < plan.to_s]
    unpriced = sum(_unpriced(each, made) for each in day)
    unknown = sum(each.surplus_wh is None or each.drawn_wh is None or _unpriced(each, made) for each in day)
    whole = len(day) == (plan.to_s - plan.from_s) // HALF_HOUR_S
    surplus_wh, drawn_wh = ([getattr(each, name) or 0.0 for each in day] for name in ("surplus_wh", "drawn_wh"))
    figures: dict[str, Any] = {
        "made_at": plan.made_at,
        "expected_drawn_wh": plan.document.get("drawn_wh"),
        "drawn_wh": round(sum(drawn_wh)),
        "forecast_wh": plan.document.get("forecast_wh"),
        "surplus_wh": round(sum(surplus_wh)),
        "cost": None,
        "least_cost": None,
        "short_wh": None,
    }
    if plan.document.get("heatings"):
        sentence = say(
            "The plan made at {time} has no score: another rule was to heat the tank within its day", time=plan.made_at
        )
        return EventRow(at_s, OUTCOME, "note", sentence, figures)
    if not whole or unknown > MOST_UNKNOWN:
        sentence = say(
            "The plan made at {time} has no score: {unknown} half hours of its day are not known",
            time=plan.made_at,
            unknown=unknown,
        )
        return EventRow(at_s, OUTCOME, "note", sentence, figures)
    outcome = _score(made, plan, day, surplus_wh, drawn_wh, zone)
    short_wh = outcome.short_wh
    figures |= {
        "cost": round(outcome.cost, 4),
        "least_cost": round(outcome.least_cost, 4),
        "short_wh": None if short_wh is None else round(short_wh),
    }
    sentence = say(
        "The plan made at {time}, followed to the letter, cost {regret} more than the least that day could have cost",
        time=plan.made_at,
        regret=Number(f"{outcome.regret:.2f} {made.home.home.currency}"),
    )
    if short_wh is not None and short_wh > COLD_WH:
        sentence = say(
            "{cost}, and left {short} kWh more of hot water missing, which is in neither cost",
            cost=sentence,
            short=Number(f"{short_wh / 1000:.1f}"),
        )
    if unpriced:
        dearest = say_many(
            "{n} half hour has no known price, and the day's dearest stands for it",
            "{n} half hours have no known price, and the day's dearest stands for it",
            unpriced,
        )
        sentence = joined((sentence, dearest), "; ")
    return EventRow(at_s, OUTCOME, "note", sentence, figures)


def _unpriced(each: PastHalfHour, made: PreparedHome) -> bool:
    """Whether a price that the home has is not known. Without an export tariff the sun counts as free."""
    return each.import_price is None or (made.books.export is not None and each.export_price is None)


def _dearest(prices: Sequence[float | None]) -> float:
    """What stands for a price that is not known, so that nothing looks cheap for want of one; 0 where none is."""
    return max((price for price in prices if price is not None), default=0.0)


def _score(
    made: PreparedHome,
    plan: _Scored,
    day: Sequence[PastHalfHour],
    surplus_wh: Sequence[float],
    drawn_wh: Sequence[float],
    zone: ZoneInfo,
) -> Outcome:
    buys, sells = (_dearest([getattr(each, name) for each in day]) for name in ("import_price", "export_price"))
    hours = [
        placed(
            each.start_s,
            zone,
            buys if each.import_price is None else each.import_price,
            sells if each.export_price is None else each.export_price,
        )
        for each in day
    ]
    tank = tank_of(made, plan.from_s, max(hour.import_price for hour in hours))
    # Heat left saves the cheapest of what is bought the day after, which is taken to be as this day's.
    end_price = max(min(tank.store.missing_price, *(hour.import_price for hour in hours)), 0.0)
    shown_wh = tank.full_wh * float(plan.document.get("level_pct") or 0.0) / 100
    stock_wh = min(max(shown_wh, 0.0), tank.store.capacity_wh)  # as the plan counted it
    targets_wh = [_target_wh(plan.document, each.start_s, tank.full_wh) for each in day]
    # Both by heat alone, whether it makes the whole tank warm or half of it.
    store = replace(tank.store, warm_wh=0.0)
    day_of = store, hours, surplus_wh, drawn_wh, stock_wh, end_price, tank.boiler_price
    least, followed = least_cost(*day_of), planned_cost(*day_of, targets_wh)
    if tank.boiler_price is not None:
        return Outcome(followed.cost, min(least.cost, followed.cost))
    return Outcome(followed.cost, least.cost, max(followed.missing_wh - least.missing_wh, 0.0))


def _target_wh(document: dict[str, Any], start_s: int, full_wh: float) -> float:
    """Up to which heat the plan has the grid heat in the half hour from start_s; 0: not at all."""
    for run in document.get("runs") or ():
        from_s, to_s = (datetime.fromisoformat(run[key]).timestamp() for key in ("from", "to"))
        if from_s <= start_s < to_s:
            return float(run["target_level_pct"]) * full_wh / 100
    return 0.0
