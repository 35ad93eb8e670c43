"""The fair comparison as JSON, a part of `brimful.verdict/1`, and in plain words."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from accounting.reports.days_paid import unpriced_text
from rules.model.formatting import rounded_percent
from rules.model.wording import Number, Sentence, say

if TYPE_CHECKING:  # the daemon, which answers by this, has no numpy
    from accounting.verdict.fair_comparison import Difference, FairComparison, Measured

CONFIDENCE = 0.9
_WAYS = {
    "tank": (
        say(
            "the heat that came into the tank, each source at its price of the moment, sun at the export "
            "income given up"
        ),
        say("what the rest of the house did, and heat left in the tank at a block's end"),
    ),
    "meters": (
        say("all that the house bought at the meters, less what it sold, with the boiler's fuel where it is metered"),
        say("nothing of the house; sun, weather and all other use scatter it, which widens the range"),
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
        "counterfactual": say("the same home on days whose turn chance chose, with diversion withheld"),
        "left_out": say(
            "the first days of each block, in which heat of the block before is still used; {ways}",
            ways=_WAYS[part.main.what][1],
        ),
        "method": say(
            "pairs of blocks in random order: mean of the pairs' differences with Student's range, and "
            "Fisher's randomisation test"
        ),
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
    amount = Number(f"{abs(kwh):.2f}")
    less = say("{kwh} kWh of electricity and fuel less", kwh=amount)
    if kwh < 0:
        less = say("{kwh} kWh of electricity and fuel more", kwh=amount)
    what = say("for the tank")
    if part["measured_by"] != "tank":
        what = say("by the whole house, what it sold not taken off,")
    return say(
        "On a day with diversion {less} was bought {what} than on one without (from {low} to {high}).",
        less=less,
        what=what,
        low=_less(low),
        high=_less(high),
    )


def _less(kwh: float) -> str:
    amount = Number(f"{abs(kwh):.2f}")
    return say("{amount} less", amount=amount) if kwh >= 0 else say("{amount} more", amount=amount)


def comparison_said(part: Mapping[str, Any], money: str) -> list[str]:
    """The part in sentences."""
    low, high = part["saved_per_day_low"], part["saved_per_day_high"]
    on_off = say(
        "{pairs} pairs of blocks, {days_on} days with diversion and {days_off} without",
        pairs=part["pairs"],
        days_on=part["days_on"],
        days_off=part["days_off"],
    )
    sure = say(
        "({low} to {high} with {confidence} confidence)",
        low=Number(f"{low:+.3f}"),
        high=Number(f"{high:+.3f}"),
        confidence=rounded_percent(part["confidence"]),
    )
    measured = say("Measured, {first} to {last}, {on_off}", first=part["from"], last=part["to"], on_off=on_off)
    if part["shows_a_difference"]:
        amount = Number(f"{abs(part['saved_per_day']):.3f} {money}")
        found = say("a day with diversion saved {amount}", amount=amount)
        if part["saved_per_day"] <= 0:
            found = say("a day with diversion cost {amount}", amount=amount)
    else:
        amount = Number(f"{part['saved_per_day']:+.3f} {money}")
        found = say("no difference can be seen; a day with diversion saved {amount}", amount=amount)
    said: list[str] = [say("{measured}: {found} {sure}.", measured=measured, found=found, sure=sure)]
    said.append(
        say(
            "If diverting changed nothing, {by_chance} of all orders of the days would show so large a "
            "difference in money. {bought} Compared: {compared}; left out: {left_out}.",
            by_chance=rounded_percent(part["by_chance"]),
            bought=_bought(part),
            compared=part["compared"],
            left_out=part["left_out"],
        )
    )
    beside = part["beside"]
    if beside is not None:
        said.append(
            say(
                "By {compared}: {saved} a day ({low} to {high}).",
                compared=beside["compared"],
                saved=Number(f"{beside['saved_per_day']:+.3f} {money}"),
                low=Number(f"{beside['saved_per_day_low']:+.3f}"),
                high=Number(f"{beside['saved_per_day_high']:+.3f}"),
            )
        )
    for wish in part["weeks_more"]:
        weeks = wish["weeks"]
        if weeks is None:
            said.append(
                say(
                    "To know it within {amount} a day would take decades.",
                    amount=Number(f"{wish['within_per_day']:.3f}"),
                )
            )
        elif weeks > 0:
            said.append(
                say(
                    "To know it within {amount} a day takes about {weeks} more weeks.",
                    amount=Number(f"{wish['within_per_day']:.3f}"),
                    weeks=Number(f"{weeks:.0f}"),
                )
            )
    left = part["pairs_left_out"]
    if left["begun_before_written"]:
        said.append(
            say(
                "{begun_before_written} pairs do not count: they began before they were written down.",
                begun_before_written=left["begun_before_written"],
            )
        )
    if left["order_changed"]:
        said.append(
            say(
                "{order_changed} pairs do not count: the order was changed while they were under way.",
                order_changed=left["order_changed"],
            )
        )
    if left["few_days"]:
        said.append(
            say(
                "{few_days} pairs do not count: fewer than half of their days were measured.",
                few_days=left["few_days"],
            )
        )
    if part["excluded_days"]:
        said.append(
            say(
                "{excluded_days} days are excluded by [verdict] exclude: fair only if that was decided without "
                "looking at the result.",
                excluded_days=part["excluded_days"],
            )
        )
    unpriced = part["days_without_price"]
    if unpriced["days"]:
        said.append(Sentence(unpriced_text(unpriced["days"], unpriced["heat_kwh"])))
    off_kwh = part["diverted_on_days_off_kwh"]
    if off_kwh is not None and off_kwh >= 0.5:
        said.append(
            say(
                "{off} kWh of sun went into the tank on days without diversion (an override?): the true "
                "difference, in either direction, is rather larger.",
                off=Number(f"{off_kwh:,.1f}"),
            )
        )
    return said
