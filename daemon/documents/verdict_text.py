"""The verdict in plain words: sentences under headings, made of the JSON document, each naming its source."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from daemon.documents.comparison_document import comparison_said
from daemon.documents.verdict_export_text import against_export_said, money_said
from rules.model.formatting import rounded_percent
from rules.model.wording import Number, Sentence, joined, say, with_and

Document = Mapping[str, Any]

_PARTS = {
    "against_export": say("Against just exporting"),
    "before_after": say("Before and after"),
    "fair_comparison": say("The fair comparison"),
    "year": say("A usual year"),
    "life": say("Over its life"),
    "sensitivity": say("What matters most"),
    "advice": say("What to do now"),
    "carbon": say("Carbon"),
}
_CALLED = {
    "against_export": say("against just exporting"),
    "before_after": say("before and after"),
    "fair_comparison": say("the fair comparison"),
    "year": say("a usual year"),
    "life": say("over its life"),
    "sensitivity": say("what matters most"),
    "advice": say("what to do now"),
    "carbon": say("carbon"),
}
"""The parts within a sentence."""
CARRIERS = {"electricity": say("electricity"), "gas": say("gas")}
_NEEDLESS = {"life", "sensitivity", "carbon", "advice"}
"""Parts that have no answer for the same reason as another; said once."""


def sections(document: Document) -> list[tuple[str, list[str]]]:
    """(heading, sentences) of each part that has an answer, and of those that have none yet: what would give one."""
    saying: dict[str, Callable[[Any, str], list[str]]] = {
        "against_export": against_export_said,
        "before_after": _before_after,
        "fair_comparison": comparison_said,
        "year": _year,
        "life": _life,
        "sensitivity": _sensitivity,
        "advice": _advice,
        "carbon": _carbon,
    }
    money = document["currency"] or ""
    found = [(_PARTS[name], saying[name](document[name], money)) for name in _PARTS if document[name] is not None]
    missing = _cannot_tell(document["why_not"])
    return [*found, *([(say("Can't tell yet"), missing)] if missing else [])]


def headline(document: Document) -> str:
    """The answer in one sentence."""
    money = document["currency"] or ""
    life, year, compared = document["life"], document["year"], document["before_after"]
    if life is not None and life["never_pays"] >= 0.9:
        spent = money_said(life["spent"], money)
        return say(
            "No: in {never_pays} of cases the {spent} spent do not come back in {years} years.",
            never_pays=rounded_percent(life["never_pays"]),
            spent=spent,
            years=life["years"],
        )
    if life is not None and life["payback_years"]["p90"] is not None:
        years = life["payback_years"]
        return say(
            "Yes: it most likely pays for itself within {p50} years ({p10} to {p90}).",
            **{name: f"{years[name]:.0f}" for name in ("p10", "p50", "p90")},
        )
    if life is not None:
        paid = 1 - life["never_pays"]
        return say(
            "Can't tell yet: it pays for itself within {years} years in {paid} of cases.",
            years=life["years"],
            paid=rounded_percent(paid),
        )
    if year is not None and (year["low"] > 0 or year["high"] < 0):
        amount = money_said(abs(year["net"]), money)
        using = say("Using it brings about {amount} a year", amount=amount)
        if year["net"] <= 0:
            using = say("Using it costs about {amount} a year", amount=amount)
        return say("{using}; what it cost to buy, and what it draws itself, is not known here.", using=using)
    if compared is not None and compared["low_kwh"] > 0:
        return say(
            "It saves energy: {saved} kWh so far ({low} to {high}); whether it pays is not known yet.",
            saved=Number(f"{compared['saved_kwh']:,.0f}"),
            low=Number(f"{compared['low_kwh']:,.0f}"),
            high=Number(f"{compared['high_kwh']:,.0f}"),
        )
    return say("Can't tell yet; what is missing for an answer stands below.")


_SAME = {
    "water": say("with the same days and water"),
    "occupied days": say("with the same days at home"),
    "totals": say("by as much a day as before"),
    "whole house": say("with the same days and weather"),
}


def _before_after(part: Document, money: str) -> list[str]:
    saved = Number(f"{abs(part['saved_kwh']):,.0f}")
    said = [
        say(
            "Estimated, {confidence} range, {periods_before} periods before {installed} and {periods_after} after "
            "({days_after} days): {saved} ({low} to {high}) of the {would_have_taken} it would have taken {same}.",
            confidence=rounded_percent(part["confidence"]),
            periods_before=part["periods_before"],
            installed=part["installed"],
            periods_after=part["periods_after"],
            days_after=part["days_after"],
            saved=say("saved {kwh} kWh", kwh=saved)
            if part["saved_kwh"] >= 0
            else say("took more: {kwh} kWh", kwh=saved),
            low=Number(f"{part['low_kwh']:,.0f}"),
            high=Number(f"{part['high_kwh']:,.0f}"),
            would_have_taken=Number(f"{part['would_have_taken_kwh']:,.0f}"),
            same=_SAME[part["method"]],
        )
    ]
    if part["saved"] is not None:
        said.append(
            say(
                "In money {saved} ({low} to {high}) not paid for energy; export income given up is not taken off here.",
                saved=Number(f"{part['saved']:,.2f} {money}"),
                low=Number(f"{part['low']:,.2f}"),
                high=Number(f"{part['high']:,.2f}"),
            )
        )
    if len(part["by_carrier"]) > 1:
        parts = [
            say(
                "{name} {saved} kWh ({low} to {high})",
                name=CARRIERS.get(name, name),
                saved=Number(f"{each['saved_kwh']:,.0f}"),
                low=Number(f"{each['low_kwh']:,.0f}"),
                high=Number(f"{each['high_kwh']:,.0f}"),
            )
            for name, each in part["by_carrier"].items()
        ]
        said.append(say("Of it {parts}.", parts=with_and(parts)))
    bare = say(
        "The bare difference of the bills is {raw} kWh",
        raw=Number(f"{part['raw_kwh']:,.0f}"),
    )
    option_c = part["option_c"]
    if option_c["saved_kwh"] is not None and option_c["fsu"] is not None:
        limits = say("within Guideline 14's limits")
        if not option_c["within_limits"]:
            limits = say("outside Guideline 14's limits")
        said.append(
            say(
                "{bare}; IPMVP option C says {saved} kWh ({low} to {high}; CV(RMSE) {cv_rmse}, {limits}).",
                bare=bare,
                saved=Number(f"{option_c['saved_kwh']:,.0f}"),
                low=Number(f"{option_c['low_kwh']:,.0f}"),
                high=Number(f"{option_c['high_kwh']:,.0f}"),
                cv_rmse=rounded_percent(option_c["cv_rmse"]),
                limits=limits,
            )
        )
    else:
        said.append(Sentence(bare))
    said += [
        say(
            "Left out: {first} to {last}: {why}.",
            first=each["from"],
            last=each["to"],
            why=each["why"],
        )
        for each in part["excluded"]
    ]
    return said


def notes(document: Document) -> list[str]:
    """What to know about the figures."""
    compared = document["before_after"]
    return [*(compared["notes"] if compared is not None else []), *document["notes"]]


def _year(part: Document, money: str) -> list[str]:
    how = say(
        "{share} of it {source}, the rest modelled by the sun's year",
        share=rounded_percent(1 - part["modelled_share"]),
        source=part["source"],
    )
    if not part["modelled_share"]:
        how = part["source"]
    carbon = "" if part["kg"] is None else _kg_less(part["kg"])
    net = say(
        "{net} ({low} to {high} in 9 of 10 such years)",
        net=Number(f"{part['net']:+,.0f} {money}"),
        low=Number(f"{part['low']:+,.0f}"),
        high=Number(f"{part['high']:+,.0f}"),
    )
    return [
        say(
            "{net}, what the hardware itself draws not taken off: {how}.",
            net=joined((net, carbon)),
            how=how,
        )
    ]


def _life(part: Document, money: str) -> list[str]:
    simple, paid, worth = part["simple_payback_years"], part["payback_years"], part["npv"]
    said = [
        say(
            "Modelled over {years} years, {spent} spent (8 in 10 cases): pay-back {paid} discounted, "
            "{simple} simple; net present value {p50} ({p10} to {p90}).",
            years=part["years"],
            spent=money_said(part["spent"], money),
            paid=_years(paid, part["years"]),
            simple=_years(simple, part["years"]),
            p50=Number(f"{worth['p50']:+,.0f}"),
            p10=Number(f"{worth['p10']:+,.0f}"),
            p90=Number(f"{worth['p90']:+,.0f}"),
        )
    ]
    ratios = [
        Number(f"{name} {part[key]['p50']:{form}}".replace("%", " %"))
        for name, key, form in (("IRR", "irr", ".1%"), ("SIR", "sir", ".2f"), ("AIRR", "airr", ".1%"))
        if part[key]["p50"] is not None
    ]
    if ratios:
        said.append(Sentence(joined(ratios)))
    said.append(
        say(
            "It does not pay back in these {years} years in {never_pays} of cases.",
            years=part["years"],
            never_pays=rounded_percent(part["never_pays"]),
        )
    )
    kept = part["keep_using"]["per_year"]
    said.append(
        say(
            "Keep using it? {keep}: {kept} a year, the purchase aside. Buy another? {buy}.",
            keep=say("Yes") if kept > 0 else say("No"),
            kept=Number(f"{kept:+,.0f} {money}"),
            buy=say("Yes") if worth["p10"] > 0 else say("No") if worth["p90"] < 0 else say("Not sure"),
        )
    )
    return said


def _years(part: Document, looked_at: int) -> str:
    """A pay-back with its range. looked_at: the years that are modelled; what comes later is not known."""
    longer = say("over {looked_at}", looked_at=looked_at)
    if part["p50"] is None:
        if part["p10"] is None:
            return say("{longer} years", longer=longer)
        return say("{longer} years (at best {p10})", longer=longer, p10=Number(f"{part['p10']:.0f}"))
    upper: str = longer if part["p90"] is None else Number(f"{part['p90']:.0f}")
    return say(
        "{p50} years ({p10} to {upper})",
        p50=Number(f"{part['p50']:.0f}"),
        p10=Number(f"{part['p10']:.0f}"),
        upper=upper,
    )


def _sensitivity(part: Sequence[Document], money: str) -> list[str]:
    widest = [
        say(
            "{what} ({low} to {high}) {npv_low} to {npv_high}",
            what=each["what"],
            low=each["low"],
            high=each["high"],
            npv_low=Number(f"{each['npv_low']:+,.0f}"),
            npv_high=Number(f"{each['npv_high']:+,.0f}"),
        )
        for each in part[:3]
    ]
    return [
        say(
            "Net present value in {money} over each assumption's own range: {widest}.",
            money=money,
            widest=joined(widest, "; "),
        )
    ]


def _advice(part: Sequence[Document], money: str) -> list[str]:
    if not part:
        return [
            say(
                "Nothing so far. To leave diversion off in some months, or the hardware itself where its standby "
                "is known, is advised where that would have brought money in each of them in every year of the "
                "books, and together at least {amount} a year. Months of which the books hold less than 90 % are "
                "not looked at.",
                amount=money_said(1, money),
            )
        ]
    return [_advised(each, money) for each in part]


def _advised(each: Document, money: str) -> str:
    worth: str = money_said(each["per_year"], money)
    if each["kg_per_year"] is not None:
        worth = say("{amount} and {carbon}", amount=worth, carbon=_kg_less(each["kg_per_year"]))
    if each["at_most"]:
        worth = say("at most {amount}", amount=worth)
    return say(
        "{advice} Worth {amount} a year, by the ledger's own months and prices; wrong if {flips_if}.",
        advice=each["say"],
        amount=worth,
        flips_if=each["flips_if"],
    )


def _carbon(part: Document, money: str) -> list[str]:
    said = say(
        "{kg_year} a year, estimated by the home file's factors, standby counted.",
        kg_year=_kg_less(part["kg_year"]),
    )
    if part["embodied_kg"] is not None:
        years = part["payback_years"]
        kg = Number(f"{part['embodied_kg']:,.0f}")
        made = say("The {kg} kg of making it are never made up for.", kg=kg)
        if years is not None:
            after = Number(f"{years:.1f}")
            made = say("The {kg} kg of making it are made up for after {years} years.", kg=kg, years=after)
        said = joined((said, made), " ")
    return [joined((said, part["turns"]), " ")]


def _cannot_tell(why_not: Mapping[str, str]) -> list[str]:
    said: dict[str, list[str]] = {}
    for name, why in why_not.items():
        if name in _NEEDLESS and why.startswith("there is no year"):
            continue
        said.setdefault(why, []).append(_CALLED[name])
    return [Sentence(say("{parts}: {why}", parts=joined(names), why=why)) for why, names in said.items()]


def _kg_less(kg: float) -> str:
    amount = Number(f"{abs(kg):,.0f}")
    return say("{kg} kg CO2e less", kg=amount) if kg >= 0 else say("{kg} kg CO2e more", kg=amount)
