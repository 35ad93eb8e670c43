"""The verdict in plain words: sentences under headings, made of the JSON document, each naming its source."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from daemon.documents.comparison_document import comparison_said

Document = Mapping[str, Any]

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_PARTS = {
    "against_export": "Against just exporting",
    "before_after": "Before and after",
    "fair_comparison": "The fair comparison",
    "year": "A usual year",
    "life": "Over its life",
    "sensitivity": "What matters most",
    "advice": "What to do now",
    "carbon": "Carbon",
}
_NEEDLESS = {"life", "sensitivity", "carbon", "advice"}
"""Parts that have no answer for the same reason as another; said once."""


def sections(document: Document) -> list[tuple[str, list[str]]]:
    """(heading, sentences) of each part that has an answer, and of those that have none yet: what would give one."""
    say: dict[str, Callable[[Any, str], list[str]]] = {
        "against_export": _against_export,
        "before_after": _before_after,
        "fair_comparison": comparison_said,
        "year": _year,
        "life": _life,
        "sensitivity": _sensitivity,
        "advice": _advice,
        "carbon": _carbon,
    }
    money = document["currency"] or ""
    found = [(_PARTS[name], say[name](document[name], money)) for name in _PARTS if document[name] is not None]
    missing = _cannot_tell(document["why_not"])
    return [*found, *([("Can't tell yet", missing)] if missing else [])]


def headline(document: Document) -> str:
    """The answer in one sentence."""
    money = document["currency"] or ""
    life, year, compared = document["life"], document["year"], document["before_after"]
    if life is not None and life["never_pays"] >= 0.9:
        spent = _money(life["spent"], money)
        return f"No: in {life['never_pays']:.0%} of cases the {spent} spent do not come back in {life['years']} years."
    if life is not None and life["payback_years"]["p90"] is not None:
        years = life["payback_years"]
        reach = f"{years['p10']:.0f} to {years['p90']:.0f}"
        return f"Yes: it most likely pays for itself within {years['p50']:.0f} years ({reach})."
    if life is not None:
        paid = 1 - life["never_pays"]
        return f"Can't tell yet: it pays for itself within {life['years']} years in {paid:.0%} of cases."
    if year is not None and (year["low"] > 0 or year["high"] < 0):
        side = "brings" if year["net"] > 0 else "costs"
        return (
            f"Using it {side} about {_money(abs(year['net']), money)} a year; what it cost to buy, and what it draws "
            "itself, is not known here."
        )
    if compared is not None and compared["low_kwh"] > 0:
        return (
            f"It saves energy: {compared['saved_kwh']:,.0f} kWh so far ({compared['low_kwh']:,.0f} to "
            f"{compared['high_kwh']:,.0f}); whether it pays is not known yet."
        )
    return "Can't tell yet; what is missing for an answer stands below."


def _against_export(part: Document, money: str) -> list[str]:
    side = "brought" if part["net"] >= 0 else "lost"
    said = [
        f"Measured, {part['from']} to {part['to']}, coverage {part['coverage']:.0%}: diverting "
        f"{part['diverted_kwh']:,.0f} kWh {side} {_money(abs(part['net']), money)}: {part['avoided']:,.2f} of "
        f"purchases avoided, less {_given_up(part, 'given up', 'paid')}."
    ]
    if len(part["by_source"]) > 1:
        parts = [_source(each) for each in part["by_source"]]
        said.append(f"Avoided: {', '.join(parts)}; the money is divided by the sources' prices.")
    if part["break_even_export_price"] is not None:
        said.append(
            f"It breaks even at an export price of {part['break_even_export_price']:.4f} per kWh; "
            f"{part['export_price']:.4f} was given up on average."
        )
    losing = [month for month in part["months"] if month["net"] < 0]
    if losing:
        named = ", ".join(_month(month["month"]) for month in losing[:6]) + (" and others" if len(losing) > 6 else "")
        said.append(
            f"Diversion off in the months that lost ({named}) would have brought "
            f"{_money(part['off_in_losing_months'], money)}."
        )
    for off in part.get("off", ()):
        side = "brought" if off["brought"] >= 0 else "cost"
        every = " of every year" if off["every_year"] else ""
        said.append(
            f"Diversion off from {off['off'].replace('..', ' to ')}{every} ({off['days_known']:.0f} days known, "
            f"coverage {off['coverage']:.0%}, {off['diverted_kwh']:,.0f} kWh diverted) would have {side} "
            f"{_money(abs(off['brought']), money)}: {_given_up(off, 'kept', 'not paid')}, less "
            f"{off['avoided']:,.2f} to buy the heat that was used."
        )
        if off["unpriced_kwh"] >= 0.5:
            said.append(f"Of it {off['unpriced_kwh']:,.0f} kWh had no known price and are in no amount of money.")
    if part["estimated_kwh"] >= 0.5:
        said.append(
            f"Of all that was diverted, {part['estimated_kwh']:,.0f} kWh fell into gaps: how much is known, but not "
            "when."
        )
    return said


def _source(part: Document) -> str:
    heat = f" ({part['heat_kwh']:,.0f} kWh of heat)" if part["heat_kwh"] else ""
    return f"{part['source']} {part['avoided']:,.2f}{heat}"


def _given_up(part: Document, income: str, paid: str) -> str:
    """What was given up by its parts: export income, and of the house battery and of what was bought what there is."""
    forgone, bought = part["given_up_forgone"], part["given_up_bought"]
    said = f"{part['given_up'] - forgone - bought:,.2f} of export income {income}"
    more = [f"{forgone:,.2f} that the house battery would have saved"] if forgone >= 0.005 else []
    more += [f"{bought:,.2f} {paid} for what the grid or the battery gave"] if bought >= 0.005 else []
    return " and ".join([", ".join([said, *more[:-1]]), *more[-1:]])


_SAME = {
    "water": "with the same days and water",
    "occupied days": "with the same days at home",
    "totals": "by as much a day as before",
    "whole house": "with the same days and weather",
}


def _before_after(part: Document, money: str) -> list[str]:
    said = [
        f"Estimated, {part['confidence']:.0%} range, {part['periods_before']} periods before {part['installed']} and "
        f"{part['periods_after']} after ({part['days_after']} days): {_saved(part['saved_kwh'])} "
        f"{abs(part['saved_kwh']):,.0f} kWh ({part['low_kwh']:,.0f} to {part['high_kwh']:,.0f}) of the "
        f"{part['would_have_taken_kwh']:,.0f} it would have taken {_SAME[part['method']]}."
    ]
    if part["saved"] is not None:
        said.append(
            f"In money {part['saved']:,.2f} {money} ({part['low']:,.2f} to {part['high']:,.2f}) not paid for energy; "
            "export income given up is not taken off here."
        )
    if len(part["by_carrier"]) > 1:
        parts = [
            f"{name} {each['saved_kwh']:,.0f} kWh ({each['low_kwh']:,.0f} to {each['high_kwh']:,.0f})"
            for name, each in part["by_carrier"].items()
        ]
        said.append(f"Of it {' and '.join(parts)}.")
    bare = f"The bare difference of the bills is {part['raw_kwh']:,.0f} kWh"
    option_c = part["option_c"]
    if option_c["saved_kwh"] is not None and option_c["fsu"] is not None:
        limits = "within" if option_c["within_limits"] else "outside"
        said.append(
            f"{bare}; IPMVP option C says {option_c['saved_kwh']:,.0f} kWh ({option_c['low_kwh']:,.0f} to "
            f"{option_c['high_kwh']:,.0f}; CV(RMSE) {option_c['cv_rmse']:.0%}, {limits} Guideline 14's limits)."
        )
    else:
        said.append(f"{bare}.")
    said += [f"Left out: {each['from']} to {each['to']}: {each['why']}." for each in part["excluded"]]
    return said


def notes(document: Document) -> list[str]:
    """What to know about the figures."""
    compared = document["before_after"]
    return [*(compared["notes"] if compared is not None else []), *document["notes"]]


def _year(part: Document, money: str) -> list[str]:
    how = f"{1 - part['modelled_share']:.0%} of it {part['source']}, the rest modelled by the sun's year"
    if not part["modelled_share"]:
        how = part["source"]
    carbon = "" if part["kg"] is None else f", {_kg_less(part['kg'])}"
    return [
        f"{part['net']:+,.0f} {money} ({part['low']:+,.0f} to {part['high']:+,.0f} in 9 of 10 such years){carbon}, "
        f"what the hardware itself draws not taken off: {how}."
    ]


def _life(part: Document, money: str) -> list[str]:
    simple, paid, worth = part["simple_payback_years"], part["payback_years"], part["npv"]
    said = [
        f"Modelled over {part['years']} years, {_money(part['spent'], money)} spent (8 in 10 cases): pay-back "
        f"{_years(paid, part['years'])} discounted, {_years(simple, part['years'])} simple; "
        f"net present value {worth['p50']:+,.0f} "
        f"({worth['p10']:+,.0f} to {worth['p90']:+,.0f})."
    ]
    ratios = [
        f"{name} {part[key]['p50']:{form}}"
        for name, key, form in (("IRR", "irr", ".1%"), ("SIR", "sir", ".2f"), ("AIRR", "airr", ".1%"))
        if part[key]["p50"] is not None
    ]
    if ratios:
        said.append(f"{', '.join(ratios)}.")
    said.append(f"It does not pay back in these {part['years']} years in {part['never_pays']:.0%} of cases.")
    kept = part["keep_using"]["per_year"]
    said.append(
        f"Keep using it? {'Yes' if kept > 0 else 'No'}: {kept:+,.0f} {money} a year, the purchase aside. "
        f"Buy another? {'Yes' if worth['p10'] > 0 else 'No' if worth['p90'] < 0 else 'Not sure'}."
    )
    return said


def _years(part: Document, looked_at: int) -> str:
    """A pay-back with its range. looked_at: the years that are modelled; what comes later is not known."""
    longer = f"over {looked_at}"
    if part["p50"] is None:
        return f"{longer} years" + ("" if part["p10"] is None else f" (at best {part['p10']:.0f})")
    upper = longer if part["p90"] is None else f"{part['p90']:.0f}"
    return f"{part['p50']:.0f} years ({part['p10']:.0f} to {upper})"


def _sensitivity(part: Sequence[Document], money: str) -> list[str]:
    widest = [
        f"{each['what']} ({each['low']} to {each['high']}) {each['npv_low']:+,.0f} to {each['npv_high']:+,.0f}"
        for each in part[:3]
    ]
    return [f"Net present value in {money} over each assumption's own range: {'; '.join(widest)}."]


def _advice(part: Sequence[Document], money: str) -> list[str]:
    if not part:
        return [
            "Nothing so far. To leave diversion off in some months, or the hardware itself where its standby is known, "
            "is advised where that would have brought money in each of them in every year of the books, and together "
            f"at least {_money(1, money)} a year. Months of which the books hold less than 90% are not looked at."
        ]
    return [_advised(each, money) for each in part]


def _advised(each: Document, money: str) -> str:
    bound = "at most " if each["at_most"] else ""
    carbon = "" if each["kg_per_year"] is None else f" and {_kg_less(each['kg_per_year'])}"
    return (
        f"{each['say']} Worth {bound}{_money(each['per_year'], money)}{carbon} a year, by the ledger's own months and "
        f"prices; wrong if {each['flips_if']}."
    )


def _carbon(part: Document, money: str) -> list[str]:
    said = f"{_kg_less(part['kg_year'])} a year, estimated by the home file's factors, standby counted."
    if part["embodied_kg"] is not None:
        years = part["payback_years"]
        when = "are never made up for" if years is None else f"are made up for after {years:.1f} years"
        said += f" The {part['embodied_kg']:,.0f} kg of making it {when}."
    return [f"{said} {part['turns']}"]


def _cannot_tell(why_not: Mapping[str, str]) -> list[str]:
    said: dict[str, list[str]] = {}
    for name, why in why_not.items():
        if name in _NEEDLESS and why.startswith("there is no year"):
            continue
        said.setdefault(why, []).append(_PARTS[name].lower())
    return [f"{', '.join(names)}: {why}."[0].upper() + f"{', '.join(names)}: {why}."[1:] for why, names in said.items()]


def _kg_less(kg: float) -> str:
    return f"{abs(kg):,.0f} kg CO2e {'less' if kg >= 0 else 'more'}"


def _saved(kwh: float) -> str:
    return "saved" if kwh >= 0 else "took more:"


def _month(text: str) -> str:
    year, month = text.split("-")
    return f"{MONTHS[int(month) - 1]} {year}"


def _money(amount: float, currency: str) -> str:
    return f"{amount:,.2f} {currency}".rstrip()
