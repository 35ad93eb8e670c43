"""A study as JSON (`brimful.study/1`): each variant's energy, money, carbon and comfort, and how it differs from the
first."""

import json
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from accounting.model.journal import BATTERY, BOILER, SUN
from accounting.reports.study_figures import CONFIDENCE, MWS_PER_WH, Figures, paired_range
from daemon.config.varied import plain_value
from daemon.documents.times import iso

MWS_PER_MWH = MWS_PER_WH // 1000


class Span(NamedTuple):
    """What was studied. step_s: the readings' usual step; left_out_s: gaps; block: what the range draws anew."""

    from_s: int
    to_s: int
    step_s: int
    left_out_s: int
    block: str


def study_answer(
    name: str,
    currency: str,
    span: Span,
    settings: Sequence[Mapping[str, str]],
    figures: Sequence[Figures],
    notes: Sequence[str],
    estimate_kwh: float | None = None,
) -> dict[str, Any]:
    """The study as plain JSON data. estimate_kwh: the sun's heat by a monthly method, where it says any.

    Energies are kWh to a millionth; each identity holds exactly in them.
    """
    return {
        "schema": "brimful.study/1",
        "home": name,
        "currency": currency,
        "from": iso(span.from_s),
        "to": iso(span.to_s),
        "step_s": span.step_s,
        "left_out_s": span.left_out_s,
        "confidence": CONFIDENCE,
        "blocks": span.block,
        "notes": list(notes),
        "monthly_estimate": _estimate(figures[0], estimate_kwh),
        "variants": [
            {"set": {key: plain_value(text) for key, text in setting.items()}, **_variant(found, figures[0])}
            for setting, found in zip(settings, figures, strict=True)
        ],
    }


def _estimate(first: Figures, estimate_kwh: float | None) -> dict[str, Any] | None:
    """The sun's heat of the first variant beside what the monthly method of SAP 10.2 says of the same house."""
    if estimate_kwh is None:
        return None
    studied_kwh = first.heat.get(SUN, 0) / (1000 * MWS_PER_WH)
    return {
        "method": "SAP 10.2, appendices M and G4, monthly",
        "sun_kwh": round(estimate_kwh, 3),
        "study_less_estimate_kwh": round(studied_kwh - estimate_kwh, 3),
    }


def _variant(found: Figures, first: Figures) -> dict[str, Any]:
    """Whole mWh, so that what adds up exactly in mW·s adds up exactly here too."""
    heat = {SUN: 0, BATTERY: 0, BOILER: 0} | {source: _mwh(mws) for source, mws in found.heat.items()}
    heater = sum(wh for source, wh in heat.items() if source != BOILER)
    drawn, change = _mwh(found.drawn), _mwh(found.stock_change)
    house, sun, given = _mwh(found.house), _mwh(found.pv), -_mwh(found.battery)
    net = house + heater - sun - given
    imported = max(_mwh(found.imported), net, 0)
    return {
        "cost": _millionth(found.cost_micro),
        "kg": _millionth(found.co2_mg),
        "imported_kwh": imported / 1e6,
        "exported_kwh": (imported - net) / 1e6,
        "heat_kwh": {source: wh / 1e6 for source, wh in heat.items()},
        "drawn_kwh": drawn / 1e6,
        "lost_kwh": (sum(heat.values()) - drawn - change) / 1e6,
        "stock_change_kwh": change / 1e6,
        "unserved_kwh": _mwh(found.short) / 1e6,
        "cold_minutes": round(found.cold_s / 60, 3),
        "switchings": found.switchings,
        "against_first": difference(found, first),
        "house_kwh": house / 1e6,
        "heater_kwh": heater / 1e6,
        "pv_kwh": sun / 1e6,
        "battery_kwh": given / 1e6,
    }


def difference(found: Figures, first: Figures) -> dict[str, Any]:
    """What a variant costs and emits more than the first; low, high: the range of the cost's difference, None where the
    time is too short for one."""
    cost = kg = low = high = None
    if found.micro is not None and first.micro is not None:
        cost = (sum(found.micro) - sum(first.micro)) / 1e6
        span = paired_range(first.micro, found.micro)
        if span is not None:
            low, high = (round(end) / 1e6 for end in span)
    if found.mg is not None and first.mg is not None:
        kg = (sum(found.mg) - sum(first.mg)) / 1e6
    return {"cost": cost, "kg": kg, "low": low, "high": high}


def _mwh(mws: int) -> int:
    return round(mws / MWS_PER_MWH)


def _millionth(whole: int | None) -> float | None:
    return None if whole is None else whole / 1e6


def homes_answer(rows: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """A study of many homes as JSON (`brimful.homes/1`). rows: one for each, `error` in the place of `variants` where a
    home could not be studied. summary: of the others, by variant, the tenth, half and nine tenths of the differences.
    """
    done = [row for row in rows if "variants" in row]
    sets: dict[str, list[Mapping[str, Any]]] = {}
    for row in done:
        for variant in row["variants"]:
            sets.setdefault(json.dumps(variant["set"], sort_keys=True), []).append(variant)
    return {
        "schema": "brimful.homes/1",
        "homes": list(rows),
        "studied": len(done),
        "failed": len(rows) - len(done),
        "summary": [
            {
                "set": json.loads(key),
                "homes": len(variants),
                "cost_against_first": _quantiles([variant["against_first"]["cost"] for variant in variants]),
                "kg_against_first": _quantiles([variant["against_first"]["kg"] for variant in variants]),
                "sun_kwh": _quantiles([variant["heat_kwh"][SUN] for variant in variants]),
            }
            for key, variants in sets.items()
        ],
    }


def _quantiles(values: Sequence[float | None]) -> dict[str, float] | None:
    """The nearest of the values, by rank; None where there are none."""
    known = sorted(value for value in values if value is not None)
    if not known:
        return None
    return {f"p{percent}": known[max(-(-len(known) * percent // 100) - 1, 0)] for percent in (10, 50, 90)}
