"""What the diverted energy was worth, as JSON (`brimful.value/1`), with what it rests on."""

from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

from accounting.reports.used_share import Used
from accounting.reports.value import ValueReport
from accounting.reports.value_statement import as_json
from accounting.valuation.historical_shares import MonthShares
from daemon.config.build_money import GRID
from daemon.config.cautions import estimates
from daemon.config.model import Home
from daemon.documents.displaced_months import as_notes, as_rows


def value_answer(
    report: ValueReport, home: Home, used: Used | None = None, months: Sequence[MonthShares] = ()
) -> dict[str, Any]:
    """The report as JSON, with what it rests on. used: None for the share that the home file states; months: what was
    displaced in each, where that goes by the home's past."""
    answer = as_json(
        report,
        home=home.home.name,
        currency=home.home.currency,
        used=used or Used(Fraction(home.books.used)),
        displaces=displaced(home),
        carbon_basis=None if lacking_carbon(home) else home.carbon[GRID].basis,
    )
    by_past = home.books.displaces_from == "past"
    return {
        **answer,
        "displaces_from": home.books.displaces_from,
        "displaces_by_month": as_rows(home, months) if by_past else None,
        "notes": [*estimates(home), *as_notes(months)],
    }


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
    lacking = [] if "grid" in home.carbon else ["the grid"]
    lacking += [source.source for source in home.displaces if source.carbon is None and not source.is_nothing]
    return " and ".join(lacking) or ("" if home.displaces else "what is displaced")
