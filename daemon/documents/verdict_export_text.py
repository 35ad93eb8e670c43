"""What diverting brought against just exporting, in sentences: a part of the verdict in words."""

from collections.abc import Mapping
from datetime import date
from typing import Any

from rules.model.formatting import MONTHS, rounded_percent
from rules.model.wording import Day, Number, joined, listed, say

Document = Mapping[str, Any]

_LEAST = 0.005
"""Money that would read as 0.00 is not spoken of."""


def against_export_said(part: Document, money: str) -> list[str]:
    """The part in sentences. money: the currency."""
    kwh, net = Number(f"{part['diverted_kwh']:,.0f}"), money_said(abs(part["net"]), money)
    if part["net"] >= 0:
        brought = say("diverting {kwh} kWh brought {net}", kwh=kwh, net=net)
    else:
        brought = say("diverting {kwh} kWh lost {net}", kwh=kwh, net=net)
    said = [
        say(
            "Measured, {first} to {last}, coverage {coverage}: {brought}: {avoided} of purchases avoided, less"
            " {given_up}.",
            first=part["from"],
            last=part["to"],
            coverage=rounded_percent(part["coverage"]),
            brought=brought,
            avoided=Number(f"{part['avoided']:,.2f}"),
            given_up=_export_side(part, kept=False),
        )
    ]
    if len(part["by_source"]) > 1:
        parts = [_source(each) for each in part["by_source"]]
        said.append(
            say(
                "Avoided: {parts}; the money is divided by the sources' prices.",
                parts=joined(parts),
            )
        )
    if part["break_even_export_price"] is not None:
        said.append(
            say(
                "It breaks even at an export price of {break_even_export_price} per kWh; {export_price} was "
                "given up on average.",
                break_even_export_price=Number(f"{part['break_even_export_price']:.4f}"),
                export_price=Number(f"{part['export_price']:.4f}"),
            )
        )
    losing = [month for month in part["months"] if month["net"] < 0]
    if losing:
        named = joined(_month(month["month"]) for month in losing[:6])
        if len(losing) > 6:
            named = say("{months} and others", months=named)
        said.append(
            say(
                "Diversion off in the months that lost ({named}) would have brought {off_in_losing_months}.",
                named=named,
                off_in_losing_months=money_said(part["off_in_losing_months"], money),
            )
        )
    for off in part.get("off", ()):
        first, _, last = off["off"].partition("..")
        when = say("{first} to {last}", first=first, last=last)
        if off["every_year"]:
            when = say("{time} of every year", time=when)
        amount = money_said(abs(off["brought"]), money)
        if off["brought"] >= 0:
            brought = say("would have brought {amount}", amount=amount)
        else:
            brought = say("would have cost {amount}", amount=amount)
        said.append(
            say(
                "Diversion off from {time} ({days} days known, coverage {coverage}, {diverted} kWh diverted) {brought}:"
                " {kept}, less {avoided} to buy the heat that was used.",
                time=when,
                days=Number(f"{off['days_known']:.0f}"),
                coverage=rounded_percent(off["coverage"]),
                diverted=Number(f"{off['diverted_kwh']:,.0f}"),
                brought=brought,
                kept=_export_side(off, kept=True),
                avoided=Number(f"{off['avoided']:,.2f}"),
            )
        )
        if off["unpriced_kwh"] >= 0.5:
            said.append(
                say(
                    "Of it {unpriced} kWh had no known price and are in no amount of money.",
                    unpriced=Number(f"{off['unpriced_kwh']:,.0f}"),
                )
            )
    if part["estimated_kwh"] >= 0.5:
        said.append(
            say(
                "Of all that was diverted, {estimated} kWh fell into gaps: how much is known, but not when.",
                estimated=Number(f"{part['estimated_kwh']:,.0f}"),
            )
        )
    return said


def _source(part: Document) -> str:
    said = joined((part["source"], Number(f"{part['avoided']:,.2f}")), " ")
    if not part["heat_kwh"]:
        return said
    return say("{source} ({heat} kWh of heat)", source=said, heat=Number(f"{part['heat_kwh']:,.0f}"))


def _export_side(part: Document, *, kept: bool) -> str:
    """What was given up by diverting, or kept without it, by its parts: export income, and of the house battery and of
    what was bought what there is."""
    forgone, bought = part["given_up_forgone"], part["given_up_bought"]
    income = _amount(part["given_up"] - forgone - bought)
    said: list[str] = [
        say("{amount} of export income kept", amount=income)
        if kept
        else say("{amount} of export income given up", amount=income)
    ]
    if forgone >= _LEAST:
        said.append(say("{amount} that the house battery would have saved", amount=_amount(forgone)))
    if bought >= _LEAST:
        paid = _amount(bought)
        said.append(
            say("{amount} not paid for what the grid or the battery gave", amount=paid)
            if kept
            else say("{amount} paid for what the grid or the battery gave", amount=paid)
        )
    return listed(said)


def _amount(money: float) -> Number:
    return Number(f"{money:,.2f}")


def _month(text: str) -> str:
    first = date.fromisoformat(f"{text}-01")
    return Day(f"{MONTHS[first.month - 1]} {text[:4]}", first, "yMMM")


def money_said(amount: float, currency: str) -> Number:
    """An amount with its currency."""
    return Number(f"{amount:,.2f} {currency}".rstrip())
