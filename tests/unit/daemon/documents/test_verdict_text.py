"""The verdict in words: yes, no and can't tell, each only where the figures say so."""

from typing import Any

import pytest

from accounting.verdict.advice import WORTH_SAYING
from accounting.verdict.year import ENOUGH_OF_MONTH
from daemon.documents.verdict_text import headline, sections
from rules.model.formatting import rounded_percent

PARTS = ("against_export", "before_after", "fair_comparison", "year", "life", "sensitivity", "advice", "carbon")


def document(**parts: Any) -> dict[str, Any]:
    return {"home": "Tern House", "currency": "GBP", "notes": [], "why_not": {}, **dict.fromkeys(PARTS), **parts}


def life(never: float, p50: float | None = 5.0, p90: float | None = 8.0) -> dict[str, Any]:
    paid = {"p10": 4.0, "p50": p50, "p90": p90}
    rate = {"p10": 0.0, "p50": 0.05, "p90": 0.1}
    return {
        "years": 12,
        "spent": 550.0,
        "payback_years": paid,
        "simple_payback_years": paid,
        "npv": {"p10": -50.0, "p50": 100.0, "p90": 300.0},
        **dict.fromkeys(("irr", "sir", "airr"), rate),
        "never_pays": never,
        "keep_using": {"per_year": 40.0},
    }


@pytest.mark.parametrize(
    ("parts", "says"),
    [
        ({"life": life(0.95, None, None)}, "No: in 95 % of cases the 550.00 GBP spent do not come back in 12 years."),
        ({"life": life(0.0)}, "Yes: it most likely pays for itself within 5 years (4 to 8)."),
        ({"life": life(0.4, 9.0, None)}, "Can't tell yet: it pays for itself within 12 years in 60 % of cases."),
        ({"year": {"net": 30.0, "low": 10.0, "high": 50.0}}, "Using it brings about 30.00 GBP a year"),
        ({"year": {"net": -30.0, "low": -50.0, "high": -10.0}}, "Using it costs about 30.00 GBP a year"),
        ({"year": {"net": 30.0, "low": -10.0, "high": 50.0}}, "Can't tell yet"),
        (
            {"before_after": {"low_kwh": 10.0, "saved_kwh": 300.0, "high_kwh": 400.0}},
            "It saves energy: 300 kWh so far (10 to 400)",
        ),
        ({}, "Can't tell yet"),
    ],
)
def test_the_answer_in_one_sentence(parts: dict[str, Any], says: str) -> None:
    assert headline(document(**parts)).startswith(says)


def test_a_life_in_words() -> None:
    ((heading, sentences),) = sections(document(life=life(0.4, 9.0, None)))
    text = " ".join(sentences)
    assert heading == "Over its life"
    assert "pay-back 9 years (4 to over 12) discounted" in text
    assert "It does not pay back in these 12 years in 40 % of cases." in text
    assert "Keep using it? Yes: +40 GBP a year, the purchase aside. Buy another? Not sure." in text


EXPORT = {
    "from": "2026-01-01",
    "to": "2026-07-01",
    "coverage": 0.98,
    "diverted_kwh": 500.0,
    "net": 5.0,
    "avoided": 40.0,
    "given_up": 35.0,
    "given_up_forgone": 4.0,
    "given_up_bought": 10.0,
    "by_source": [],
    "break_even_export_price": None,
    "months": [],
    "unpriced_kwh": 0.0,
    "estimated_kwh": 12.0,
}
OFF = {
    "off": "05-01..06-01",
    "every_year": True,
    "days_known": 31.0,
    "diverted_kwh": 90.0,
    "given_up": 9.0,
    "given_up_forgone": 1.0,
    "given_up_bought": 2.0,
    "avoided": 6.0,
    "brought": 3.0,
    "unpriced_kwh": 4.0,
    "coverage": 0.9,
}


def test_what_was_bought_or_forgone_by_the_battery_is_no_export_income() -> None:
    ((_, sentences),) = sections(document(against_export={**EXPORT, "off": [OFF]}))
    assert sentences[0].endswith(
        "40.00 of purchases avoided, less 21.00 of export income given up, 4.00 that the house battery would have "
        "saved and 10.00 paid for what the grid or the battery gave."
    )
    assert sentences[1] == (
        "Diversion off from 05-01 to 06-01 of every year (31 days known, coverage 90 %, 90 kWh diverted) "
        "would have brought 3.00 GBP: 6.00 of export income kept, 1.00 that the house battery would have saved and "
        "2.00 not paid for what the grid or the battery gave, less 6.00 to buy the heat that was used."
    )
    assert sentences[3] == "Of all that was diverted, 12 kWh fell into gaps: how much is known, but not when."
    assert sentences[2] == "Of it 4 kWh had no known price and are in no amount of money."
    plain = {**EXPORT, "given_up": 21.0, "given_up_forgone": 0.0, "given_up_bought": 0.0}
    ((_, sentences),) = sections(document(against_export=plain))
    assert sentences[0].endswith("40.00 of purchases avoided, less 21.00 of export income given up.")


def test_what_advice_is_worth_is_bounded_where_it_must_be_and_says_no_carbon_that_is_not_counted() -> None:
    advised = {"say": "Do so.", "per_year": 12.0, "kg_per_year": None, "flips_if": "not", "about": "worth"}
    ((_, (bounded, whole)),) = sections(
        document(advice=[{**advised, "at_most": True}, {**advised, "at_most": False, "kg_per_year": -3.0}])
    )
    assert bounded.startswith("Do so. Worth at most 12.00 GBP a year, by")
    assert whole.startswith("Do so. Worth 12.00 GBP and 3 kg CO2e more a year, by")


def test_no_advice_says_when_there_would_be_some() -> None:
    ((_, (sentence,)),) = sections(document(advice=[]))
    assert sentence == (
        "Nothing so far. To leave diversion off in some months, or the hardware itself where its standby is known, is "
        "advised where that would have brought money in each of them in every year of the books, and together at least "
        f"{WORTH_SAYING:.2f} GBP a year. Months of which the books hold less than {rounded_percent(ENOUGH_OF_MONTH)} "
        "are not looked at."
    )


def test_the_same_reason_is_said_once() -> None:
    why = {
        "year": "there are neither books nor a history",
        "life": "there is no year to go by: x",
        "advice": "no books",
    }
    ((heading, sentences),) = sections(document(why_not=why))
    assert heading == "Can't tell yet"
    assert sentences == ["A usual year: there are neither books nor a history.", "What to do now: no books."]


def test_a_usual_year_says_what_its_range_is_and_what_it_leaves_out() -> None:
    part = {"net": 94.2, "low": 79.0, "high": 110.0, "kg": None, "modelled_share": 0.0, "source": "measured"}
    ((_, (sentence,)),) = sections(document(year=part))
    assert sentence == (
        "+94 GBP (+79 to +110 in 9 of 10 such years), what the hardware itself draws not taken off: measured."
    )
