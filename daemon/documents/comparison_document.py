"""The fair comparison as JSON, a part of `brimful.verdict/1`, and in plain words."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from accounting.reports.days_paid import unpriced_text

if TYPE_CHECKING:  # the daemon, which answers by this, has no numpy
    from accounting.verdict.fair_comparison import Difference, FairComparison, Measured

CONFIDENCE = 0.9
_WAYS = {
    "tank": (
        "the heat that came into the tank, each source at its price of the moment, sun at the export income given up",
        "what the rest of the house did, and heat left in the tank at a block's end",
    ),
    "meters": (
        "all that the house bought at the meters, less what it sold, with the boiler's fuel where it is metered",
        "nothing of the house; sun, weather and all other use scatter it, which widens the range",
    ),
}


def comparison_answer(part: "FairComparison", within: float | None) -> dict[str, Any]:
    """The part. within: how narrow the range is wished for, money a day to either side; None: not said."""
    return {
        "from": part.first.isoformat(),
        "to": part.until.isoformat(),
        "confidence": CONFIDENCE,
        **_measured(part.main),
        "shows_a_difference": part.shows,
        "beside": None if isinstance(part.beside, str) else _measured(part.beside),
        "beside_why_not": part.beside if isinstance(part.beside, str) else None,
        "diverted_on_days_off_kwh": part.sun_off_kwh,
        "days_without_price": {"days": part.unpriced_days, "heat_kwh": part.unpriced_kwh},
        "pairs_left_out": {"begun_before_written": part.late, "order_changed": part.changed, "few_days": part.thin},
        "excluded_days": part.excluded_days,
        "pairs_ahead": part.ahead,
        "weeks_more": [{"within_per_day": half, "weeks": part.weeks_more(half)} for half in _precisions(part, within)],
        "counterfactual": "the same home on days whose turn chance chose, with diversion withheld",
        "left_out": f"the first days of each block, in which heat of the block before is still used; "
        f"{_WAYS[part.main.what][1]}",
        "method": "pairs of blocks in random order: mean of the pairs' differences with Student's range, and Fisher's "
        "randomisation test",
    }


def _measured(way: "Measured") -> dict[str, Any]:
    saved, bought = way.saved, way.bought_kwh
    return {
        "measured_by": way.what,
        "compared": _WAYS[way.what][0],
        "pairs": way.pairs,
        "days_on": way.days_on,
        "days_off": way.days_off,
        **_range("saved_per_day", saved),
        **_range("bought_kwh_less_per_day", bought),
        "by_chance": saved.by_chance,
    }


def _range(name: str, found: "Difference") -> dict[str, float]:
    return {name: found.per_day.value, f"{name}_low": found.per_day.low, f"{name}_high": found.per_day.high}


def _precisions(part: "FairComparison", within: float | None) -> list[float]:
    saved = part.main.saved.per_day
    present = saved.high - saved.value
    wished = [within] if within is not None else [present / 2] if present else []
    if within is None and not part.shows and saved.value:
        wished.append(abs(saved.value))
    return wished


def _bought(part: Mapping[str, Any]) -> str:
    kwh, low, high = (part[f"bought_kwh_less_per_day{end}"] for end in ("", "_low", "_high"))
    what = "for the tank" if part["measured_by"] == "tank" else "by the whole house, what it sold not taken off,"
    side = "less" if kwh >= 0 else "more"
    return (
        f"On a day with diversion {abs(kwh):.2f} kWh of electricity and fuel {side} was bought {what} than on one "
        f"without (from {_less(low)} to {_less(high)})."
    )


def _less(kwh: float) -> str:
    return f"{abs(kwh):.2f} {'less' if kwh >= 0 else 'more'}"


def comparison_said(part: Mapping[str, Any], money: str) -> list[str]:
    """The part in sentences."""
    low, high = part["saved_per_day_low"], part["saved_per_day_high"]
    on_off = f"{part['pairs']} pairs of blocks, {part['days_on']} days with diversion and {part['days_off']} without"
    range_said = f"{low:+.3f} to {high:+.3f}"
    if part["shows_a_difference"]:
        side = "saved" if part["saved_per_day"] > 0 else "cost"
        said = [
            f"Measured, {part['from']} to {part['to']}, {on_off}: a day with diversion {side} "
            f"{abs(part['saved_per_day']):.3f} {money} ({range_said} with {part['confidence']:.0%} confidence)."
        ]
    else:
        said = [
            f"Measured, {part['from']} to {part['to']}, {on_off}: no difference can be seen; a day with diversion "
            f"saved {part['saved_per_day']:+.3f} {money} ({range_said} with {part['confidence']:.0%} confidence)."
        ]
    said.append(
        f"If diverting changed nothing, {part['by_chance']:.0%} of all orders of the days would show so large a "
        f"difference in money. {_bought(part)} Compared: {part['compared']}; left out: {part['left_out']}."
    )
    beside = part["beside"]
    if beside is not None:
        said.append(
            f"By {beside['compared']}: {beside['saved_per_day']:+.3f} {money} a day "
            f"({beside['saved_per_day_low']:+.3f} to {beside['saved_per_day_high']:+.3f})."
        )
    for wish in part["weeks_more"]:
        weeks = wish["weeks"]
        if weeks is None:
            said.append(f"To know it within {wish['within_per_day']:.3f} a day would take decades.")
        elif weeks > 0:
            said.append(f"To know it within {wish['within_per_day']:.3f} a day takes about {weeks:.0f} more weeks.")
    left = part["pairs_left_out"]
    if left["begun_before_written"]:
        said.append(f"{left['begun_before_written']} pairs do not count: they began before they were written down.")
    if left["order_changed"]:
        said.append(f"{left['order_changed']} pairs do not count: the order was changed while they were under way.")
    if left["few_days"]:
        said.append(f"{left['few_days']} pairs do not count: fewer than half of their days were measured.")
    if part["excluded_days"]:
        said.append(
            f"{part['excluded_days']} days are excluded by [verdict] exclude: fair only if that was decided without "
            "looking at the result."
        )
    unpriced = part["days_without_price"]
    if unpriced["days"]:
        said.append(f"{unpriced_text(unpriced['days'], unpriced['heat_kwh'])}.")
    off_kwh = part["diverted_on_days_off_kwh"]
    if off_kwh is not None and off_kwh >= 0.5:
        said.append(
            f"{off_kwh:,.1f} kWh of sun went into the tank on days without diversion (an override?): the true "
            "difference, in either direction, is rather larger."
        )
    return said
