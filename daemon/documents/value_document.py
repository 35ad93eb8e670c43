"""What the diverted energy was worth, as JSON (`brimful.value/1`), with what it rests on."""

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from accounting.model.displaced_shares import shares_of
from accounting.reports.value_statement import as_json
from daemon.config.build_money import GRID
from daemon.config.model import Home
from daemon.documents.displaced_months import as_rows
from daemon.documents.value_notes import notes
from daemon.documents.valuing import Valued
from rules.model.wording import say, with_and


def value_answer(valued: Valued, home: Home) -> dict[str, Any]:
    """What was worked out as JSON, with what it rests on."""
    report, used = valued.report, valued.used
    answer = as_json(
        report,
        home=home.home.name,
        currency=home.home.currency,
        used=used,
        displaces=displaced(home),
        carbon_basis=None if lacking_carbon(home) else home.carbon[GRID].basis,
    )
    by_past = home.books.displaces_from == "past"
    return {
        **answer,
        "displaces_from": home.books.displaces_from,
        "displaces_by_month": as_rows(home, valued.months) if by_past else None,
        "assumed": [
            {
                "used": None if one.used is None else float(Fraction(one.used)),
                "displaced": _shares(one.displaced),
                "diverted_kwh": one.wh / 1000,
            }
            for one in valued.assumed
        ],
        "unmeasured_months": list(used.unmeasured),
        "heat_order_kwh": None if valued.heat_order_wh is None else valued.heat_order_wh / 1000,
        "standing": [{"source": source, "amount": float(amount)} for source, amount in valued.standing],
        "watched": valued.watched,
        "notes": notes(valued, home),
    }


def _shares(booked: str | None) -> dict[str, float] | None:
    """An entry's displaced shares by source; None where it does not keep them."""
    if booked is None:
        return None
    return {source: round(float(share), 6) for share, source in shares_of(booked)}


def displaced(home: Home) -> list[Mapping[str, Any]]:
    """What the diverted heat is taken to displace, as the home file says."""
    return [
        {
            "source": source.source,
            "share": float(source.share),
            "tariff": source.tariff,
            "price": None if source.price is None else float(source.price),
            "efficiency": float(source.efficiency),
            "carbon": source.carbon,
            "when": source.when,
            "recorded": source.recorded,
            "only": None if source.only is None else source.only.model_dump(exclude_defaults=True, by_alias=True),
        }
        for source in home.displaces
    ]


def lacking_carbon(home: Home) -> str:
    """What lacks the factor without which no carbon is counted, one side alone being none; "" if nothing does."""
    lacking: list[str] = [] if "grid" in home.carbon else [say("the grid")]
    lacking += [source.source for source in home.displaces if source.carbon is None and not source.is_nothing]
    if lacking:
        return with_and(lacking)
    return "" if home.displaces else say("what is displaced")
