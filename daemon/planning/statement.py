"""The plan's document in words and a table, for a terminal of 80 columns and for the page."""

import textwrap
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from rules.model.formatting import clock, percent
from rules.model.wording import Number, Sentence, joined, say, say_many, with_and

WIDTH = 78
_LEAST_GIVEN_WH = 50
"""Heat that would read as 0.0 kWh is not spoken of."""
_BOUGHT_FOR = {"hygiene": say("hygiene"), "away": say("your return")}
"""What rules heat for, by their names."""


def headline(document: dict[str, Any]) -> str:
    """What to do, in a sentence or two."""
    runs = document["runs"]
    if document["expected_cost"] is None:
        return say("No plan.")
    cost = Number(f"{document['expected_cost']:.2f} {document['currency']}")
    risk = cold_sentence(document)
    until = _at(document, document["to"])
    given = _given(document)
    if not runs and not given:
        return say(
            "Heat nothing from the grid until {until}. Expected cost {cost}. {risk}", until=until, cost=cost, risk=risk
        )
    if not runs:
        return say(
            "Heat nothing from the grid until {until} besides the {given}. Expected cost without those {cost}. {risk}",
            until=until,
            given=given,
            cost=cost,
            risk=risk,
        )
    times = with_and(
        say(
            "{heat} kWh {time}, to a level of {level}",
            heat=Number(f"{run['wh'] / 1000:.1f}"),
            time=_span(document, run),
            level=percent(round(run["target_level_pct"])),
        )
        for run in runs
    )
    if not given:
        return say(
            "Heat {times}. Expected cost until {until}: {cost}. {risk}", times=times, until=until, cost=cost, risk=risk
        )
    return say(
        "Heat {times}, besides the {given}. Expected cost without those until {until}: {cost}. {risk}",
        times=times,
        given=given,
        until=until,
        cost=cost,
        risk=risk,
    )


def _given(document: dict[str, Any]) -> str:
    """What other rules buy and for what: "12.8 kWh bought for hygiene"; "" where they buy nothing."""
    if (document["given_wh"] or 0) < _LEAST_GIVEN_WH:
        return ""
    return say(
        "{heat} kWh bought for {purposes}",
        heat=Number(f"{document['given_wh'] / 1000:.1f}"),
        purposes=_purposes(document),
    )


def _purposes(document: dict[str, Any]) -> str:
    return with_and(_BOUGHT_FOR.get(each["rule"], each["rule"]) for each in document["heatings"])


def _span(document: dict[str, Any], run: dict[str, Any]) -> str:
    """When a run is: "from 04:00 to 05:00 tomorrow", the day once where both ends are on it."""
    start, end = _at(document, run["from"]), _at(document, run["to"])
    tomorrow = " tomorrow"
    if start.endswith(tomorrow) and end.endswith(tomorrow):
        start, end = start.removesuffix(tomorrow), end.removesuffix(tomorrow)
        return say("from {start} to {end} tomorrow", start=start, end=end)
    return say("from {start} to {end}", start=start, end=end)


def cold_sentence(document: dict[str, Any]) -> str:
    """How likely it is that the tank does not do."""
    days = f"{document['cold_risk'] * 100:.0f}"
    if document["boiler_price"] is not None:
        return say("In {days} of 100 such days the boiler has to help.", days=days)
    return say("In {days} of 100 such days the taps run cold.", days=days)


def choice_name(choice: dict[str, Any]) -> str:
    """A row's name."""
    if choice["level_pct"] is None:
        return say("as planned")
    return say("nothing") if not choice["level_pct"] else say("to {level}", level=percent(choice["level_pct"]))


def against_sentence(document: dict[str, Any]) -> str:
    """What the plan brings against heating nothing from the grid but what other rules heat, the heat left counted."""
    planned, nothing = (next(c for c in document["choices"] if c["level_pct"] == level) for level in (None, 0.0))
    saved = round(nothing["net_cost"], 2) - round(planned["net_cost"], 2)
    amount = Number(f"{abs(saved):.2f} {document['currency']}")
    money = say("{amount} less", amount=amount) if saved >= 0 else say("{amount} more", amount=amount)
    short, without = (round(choice["cold_risk"] * 100) for choice in (planned, nothing))
    against = say("no other heat from the grid") if _given(document) else say("no heat from the grid at all")
    if not saved and short == without:
        return say(
            "Against {against}, the plan costs the same, the heat left counted, and falls short as often.",
            against=against,
        )
    return say(
        "Against {against}, the plan costs {money}, the heat left counted, and falls short on {short} "
        "instead of {without} of 100 such days.",
        against=against,
        money=money,
        short=short,
        without=without,
    )


def basis(document: dict[str, Any]) -> str:
    """What the table's figures are, and what is in none of them."""
    if document["boiler_price"] is None:
        cost = say("grid heat and export given up")
        cold = say("Cold water costs nothing here; see how often it falls short.")
    else:
        cost = say("grid heat, what the boiler makes of missing heat and export given up")
        cold = ""
    others, in_every_row = say("what other rules or timers heat"), ""
    if _given(document):
        purposes = _purposes(document)
        others = say("what heat bought for {purposes} costs, what timers heat", purposes=purposes)
        in_every_row = say(
            "In every row the tank is also heated for {purposes}: with {heat} kWh from the grid as planned.",
            purposes=purposes,
            heat=Number(f"{document['given_wh'] / 1000:.1f}"),
        )
    means = say(
        "All are means until {until} over the days to prepare for. Cost: {cost}. After: with the heat left at the end"
        " set against the heat there is now.",
        until=_at(document, document["to"]),
        cost=cost,
    )
    left_out = say("In no figure: standing charges, carbon, {others}, and what a house battery gives.", others=others)
    return joined((means, cold, in_every_row, left_out), " ")


def past_sentence(document: dict[str, Any]) -> str:
    """How past plans did."""
    past = document["past"]
    if not past["nights"]:
        return say("No past plan has been scored yet.")
    said = say(
        "{plans}, followed to the letter, cost {regret} a night more than the least possible in hindsight",
        plans=say_many("{n} past plan", "{n} past plans", past["nights"]),
        regret=Number(f"{past['mean_regret']:.2f} {document['currency']}"),
    )
    short_wh = past.get("mean_short_wh")
    if short_wh is not None:
        said = say(
            "{said}, and left {short} kWh more of hot water missing, which is in no cost",
            said=said,
            short=Number(f"{short_wh / 1000:.1f}"),
        )
    error_wh = past.get("mean_draw_error_wh")
    if error_wh is not None:
        error = Number(f"{error_wh / 1000:.1f}")
        said = say("{said}; draws were {error} kWh off on average", said=said, error=error)
    return Sentence(said)


def lines_of(document: dict[str, Any]) -> list[str]:
    """The whole answer."""
    lines = [f"{document['home']}: tonight's plan, as of {_at(document, document['made_at'], dated=True)}"]
    lines += _wrapped(headline(document))
    if document["choices"]:
        lines += ["", *_table(document)]
        lines += _wrapped(against_sentence(document))
        lines += _wrapped(basis(document))
    lines += ["", "Why", *(line for each in document["reasons"] for line in _wrapped(each, "  "))]
    if document["unknown"]:
        lines += ["What it assumes", *(line for each in document["unknown"] for line in _wrapped(each, "  "))]
    lines += _wrapped(past_sentence(document), "  ")
    for caution in document["cautions"]:
        lines += ["Caution", *_wrapped(caution, "  ")]
    return lines


def _table(document: dict[str, Any]) -> list[str]:
    currency = document["currency"]
    lines = [
        f"{'':<12}{'grid kWh':>10}{'sun kWh':>9}{'left kWh':>10}{f'cost {currency}':>11}{'after':>9}{'falls short':>13}"
    ]
    for choice in document["choices"]:
        grid, sun, left = (choice[name] / 1000 for name in ("grid_wh", "sun_wh", "left_wh"))
        lines.append(
            f"{choice_name(choice):<12}{grid:>10.1f}{sun:>9.1f}{left:>10.1f}{choice['cost']:>11.2f}"
            f"{choice['net_cost']:>9.2f}{choice['cold_risk'] * 100:>11.0f} %"
        )
    return lines


def _at(document: dict[str, Any], text: str, *, dated: bool = False) -> str:
    zone = document["timezone"]
    at_s = datetime.fromisoformat(text).timestamp()
    if dated:
        return f"{datetime.fromtimestamp(at_s, ZoneInfo(zone)):%A %d %B %Y %H:%M}"
    return clock(at_s, zone, datetime.fromisoformat(document["from"]).timestamp())


def _wrapped(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(
        text, WIDTH, initial_indent=indent, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )
