"""The plan as JSON (`brimful.plan/1`), for the command line, the API, the page and the ledger alike."""

from typing import Any

from daemon.config.model import Home
from daemon.documents.times import iso
from daemon.planning.heatings import Heating
from daemon.planning.making import NightPlan
from rules.model.wording import say
from rules.planning.outlook import Choice, Fan, Outlook
from rules.planning.store import HALF_HOUR_S
from rules.planning.tonight import Plan
from rules.tank.water_safety import SCALD

SCHEMA = "brimful.plan/1"
CAUTION = say(
    "Heat ordered from the grid runs unattended: the thermostat and the manual-reset cut-out stay in charge and must be"
    " in order, and a qualified installer should see to the wiring. {scald}. brimful is no safety device.",
    scald=SCALD,
)


def plan_document(night: NightPlan, home: Home, past: dict[str, Any]) -> dict[str, Any]:
    """The plan with its figures and sentences.

    heat_wh: what the runs heat, from the grid; grid_wh: what the plan is expected to buy in all, with the hours that
    only some days need, without given_wh; heatings: when other rules heat whatever the plan says; given_wh: what they
    are expected to buy, in no cost. past: how past plans did, as `scoring.past_of` gives it.
    """
    plan, tank = night.plan, night.tank
    outlook = plan.outlook if plan is not None else None
    runs = [] if plan is None else _runs(night, plan)
    stock_wh = night.history.stock_wh
    return {
        "schema": SCHEMA,
        "home": home.home.name,
        "currency": home.home.currency,
        "timezone": home.home.timezone,
        "mode": home.plan.mode,
        "made_at": iso(night.made_at_s),
        "from": iso(night.from_s),
        "to": iso(night.to_s),
        "heat_wh": sum(run["wh"] for run in runs),
        "target_level_pct": _target_pct(night),
        "runs": runs,
        "expected_cost": None if plan is None else round(plan.expected_cost, 4),
        "confidence": tank.confidence,
        "cold_risk": None if plan is None else round(plan.cold_risk, 4),
        "days_of_history": night.history.usable_days if plan is None else plan.days_of_history,
        "forecast": night.forecasts.name,
        "reasons": _reasons(night),
        "past": past,
        "unknown": list(night.notes),
        "cautions": [CAUTION] if plan is not None and plan.runs else [],
        "level_pct": None if stock_wh is None else round(tank.level_pct(stock_wh), 1),
        "grid_wh": None if plan is None else round(plan.grid_wh),
        "sun_wh": None if plan is None else round(plan.sun_wh),
        "drawn_wh": None if plan is None else round(plan.drawn_wh),
        "missing_wh": None if plan is None else round(plan.missing_wh),
        "forecast_wh": None if night.forecasts.said_wh is None else round(night.forecasts.said_wh),
        "boiler_price": None if tank.boiler_price is None else round(tank.boiler_price, 5),
        "full_wh": round(tank.full_wh),
        "heater": tank.heater or None,
        "heatings": [_heating(each) for each in night.heatings],
        "given_wh": None if plan is None else round(plan.given_wh),
        "choices": [] if outlook is None else [_choice(night, choice) for choice in outlook.choices],
        "half_hours": [] if outlook is None else _half_hours(night, outlook),
    }


def _heating(heating: Heating) -> dict[str, Any]:
    stretch = heating.stretch
    return {"rule": heating.rule, "from": iso(stretch.from_s), "to": iso(stretch.until_s)}


def _full_pct(night: NightPlan, capacity_pct: float) -> float:
    """A level of the planner's capacity as one of the full tank, %."""
    return round(capacity_pct * night.tank.store.capacity_wh / night.tank.full_wh, 1)


def _target_pct(night: NightPlan) -> float | None:
    return None if night.plan is None else _full_pct(night, night.plan.target_level_pct)


def _runs(night: NightPlan, plan: Plan) -> list[dict[str, Any]]:
    """When the grid heats. target_level_pct: up to which level in that run."""
    return [
        {
            "from": iso(night.from_s + (run.first - plan.first) * HALF_HOUR_S),
            "to": iso(night.from_s + (run.last - plan.first) * HALF_HOUR_S),
            "wh": round(run.wh),
            "target_level_pct": _full_pct(night, run.level_pct),
        }
        for run in plan.runs
    ]


def _reasons(night: NightPlan) -> list[str]:
    return [night.why_none] if night.plan is None else [*night.plan.reasons, *night.forecasts.sentences]


def _choice(night: NightPlan, choice: Choice) -> dict[str, Any]:
    """level_pct: of the full tank, null for the plan itself; the rest as in `Choice`."""
    return {
        "level_pct": None if choice.level_pct is None else _full_pct(night, choice.level_pct),
        "grid_wh": round(choice.grid_wh),
        "sun_wh": round(choice.sun_wh),
        "left_wh": round(choice.left_wh),
        "missing_wh": round(choice.missing_wh),
        "cost": round(choice.cost, 4),
        "net_cost": round(choice.net_cost, 4),
        "cold_risk": round(choice.cold_risk, 4),
    }


def _half_hours(night: NightPlan, outlook: Outlook) -> list[dict[str, Any]]:
    """The day's course. Each fan: below it in 10, 50 and 90 % of the scenarios."""
    per_pct = night.tank.full_wh / 100

    def at(fan: Fan, place: int, by: float, digits: int | None = None) -> list[float]:
        return [round(values[place] / by, digits) for values in (fan.low, fan.middle, fan.high)]

    return [
        {
            "from": iso(night.from_s + place * HALF_HOUR_S),
            "import_price": round(hour.import_price, 5),
            "export_price": round(hour.export_price, 5),
            "surplus_wh": at(outlook.surplus_wh, place, 1.0),
            "drawn_wh": at(outlook.drawn_wh, place, 1.0),
            "level_pct": at(outlook.stock_wh, place, per_pct, 1),
            "level_without_pct": at(outlook.without_wh, place, per_pct, 1),
        }
        for place, hour in enumerate(night.hours[: len(outlook.stock_wh.middle)])
    ]
