"""The plan's document in words and a table, for a terminal of 80 columns and for the page."""

import textwrap
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from rules.model.formatting import clock, percent

WIDTH = 78
_LEAST_GIVEN_WH = 50
"""Heat that would read as 0.0 kWh is not spoken of."""
_BOUGHT_FOR = {"hygiene": "hygiene", "away": "your return"}
"""What rules heat for, by their names."""


def headline(document: dict[str, Any]) -> str:
    """What to do, in a sentence or two."""
    runs = document["runs"]
    if document["expected_cost"] is None:
        return "No plan."
    cost = f"{document['expected_cost']:.2f} {document['currency']}"
    risk = cold_sentence(document)
    until = _at(document, document["to"])
    given = _given(document)
    besides, without = (f" besides the {given}", " without those") if given else ("", "")
    if not runs:
        return f"Heat nothing from the grid until {until}{besides}. Expected cost{without} {cost}. {risk}"
    times = " and ".join(
        f"{run['wh'] / 1000:.1f} kWh {_span(document, run)}, to a level of {percent(round(run['target_level_pct']))}"
        for run in runs
    )
    return f"Heat {times}{',' if besides else ''}{besides}. Expected cost{without} until {until}: {cost}. {risk}"


def _given(document: dict[str, Any]) -> str:
    """What other rules buy and for what: "12.8 kWh bought for hygiene"; "" where they buy nothing."""
    if (document["given_wh"] or 0) < _LEAST_GIVEN_WH:
        return ""
    return f"{document['given_wh'] / 1000:.1f} kWh bought for {_purposes(document)}"


def _purposes(document: dict[str, Any]) -> str:
    return " and ".join(_BOUGHT_FOR.get(each["rule"], each["rule"]) for each in document["heatings"])


def _span(document: dict[str, Any], run: dict[str, Any]) -> str:
    """When a run is: "from 04:00 to 05:00 tomorrow", the day once where both ends are on it."""
    start, end = _at(document, run["from"]), _at(document, run["to"])
    tomorrow = " tomorrow"
    if start.endswith(tomorrow) and end.endswith(tomorrow):
        start = start.removesuffix(tomorrow)
    return f"from {start} to {end}"


def cold_sentence(document: dict[str, Any]) -> str:
    """How likely it is that the tank does not do."""
    what = "the boiler has to help" if document["boiler_price"] is not None else "the taps run cold"
    return f"In {document['cold_risk'] * 100:.0f} of 100 such days {what}."


def choice_name(choice: dict[str, Any]) -> str:
    """A row's name."""
    if choice["level_pct"] is None:
        return "as planned"
    return "nothing" if not choice["level_pct"] else f"to {percent(choice['level_pct'])}"


def against_sentence(document: dict[str, Any]) -> str:
    """What the plan brings against heating nothing from the grid but what other rules heat, the heat left counted."""
    planned, nothing = (next(c for c in document["choices"] if c["level_pct"] == level) for level in (None, 0.0))
    saved = round(nothing["net_cost"], 2) - round(planned["net_cost"], 2)
    money = f"{abs(saved):.2f} {document['currency']} {'less' if saved >= 0 else 'more'}"
    short, without = (round(choice["cold_risk"] * 100) for choice in (planned, nothing))
    against = "no other heat from the grid" if _given(document) else "no heat from the grid at all"
    if not saved and short == without:
        return f"Against {against}, the plan costs the same, the heat left counted, and falls short as often."
    return (
        f"Against {against}, the plan costs {money}, the heat left counted, and falls short on {short} instead of"
        f" {without} of 100 such days."
    )


def basis(document: dict[str, Any]) -> str:
    """What the table's figures are, and what is in none of them."""
    missing = "" if document["boiler_price"] is None else ", what the boiler makes of missing heat"
    cold = " Cold water costs nothing here; see how often it falls short." if document["boiler_price"] is None else ""
    others, in_every_row = "what other rules or timers heat", ""
    if _given(document):
        purposes = _purposes(document)
        others = f"what heat bought for {purposes} costs, what timers heat"
        in_every_row = (
            f" In every row the tank is also heated for {purposes}: with {document['given_wh'] / 1000:.1f} kWh from the"
            " grid as planned."
        )
    return (
        f"All are means until {_at(document, document['to'])} over the days to prepare for. Cost: grid heat{missing}"
        f" and export given up. After: with the heat left at the end set against the heat there is now.{cold}"
        f"{in_every_row} In no figure: standing charges, carbon, {others}, and what a house battery gives."
    )


def past_sentence(document: dict[str, Any]) -> str:
    """How past plans did."""
    past = document["past"]
    if not past["nights"]:
        return "No past plan has been scored yet."
    nights = "1 past plan" if past["nights"] == 1 else f"{past['nights']} past plans"
    regret = f"{past['mean_regret']:.2f} {document['currency']}"
    said = f"{nights}, followed to the letter, cost {regret} a night more than the least possible in hindsight"
    short_wh = past.get("mean_short_wh")
    if short_wh is not None:
        said += f", and left {short_wh / 1000:.1f} kWh more of hot water missing, which is in no cost"
    error_wh = past.get("mean_draw_error_wh")
    return f"{said}." if error_wh is None else f"{said}; draws were {error_wh / 1000:.1f} kWh off on average."


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
