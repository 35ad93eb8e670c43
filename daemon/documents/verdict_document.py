"""Was it worth it, as JSON (`brimful.verdict/1`): for command line, API and page alike."""

from collections.abc import Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from daemon.documents.comparison_document import comparison_answer

if TYPE_CHECKING:  # the daemon, which answers by this, has no numpy
    from accounting.verdict.against_export import AgainstExport
    from accounting.verdict.before_after import BeforeAfter
    from accounting.verdict.judgement import Verdict, YearAnswer
    from accounting.verdict.life import Life, Percentiles
    from accounting.verdict.regression import Regression

SCHEMA = "brimful.verdict/1"
SOURCES = {
    "against_export": "measured: the ledger's energy at the ledger's prices",
    "before_after": "estimated: a model fitted to the history, with stated bounds",
    "fair_comparison": "measured: days with diversion against days without, in an order left to chance",
    "year": "measured where the books hold the month, modelled by the sun's year where not",
    "life": "modelled: months and prices drawn at random around what is known",
    "sensitivity": "assumed ranges, each moved by itself",
    "advice": "measured: the ledger's months at the ledger's own prices",
    "carbon": "estimated: the home file's factors",
}


def verdict_answer(
    verdict: "Verdict", home: str | None, currency: str | None, within: float | None = None
) -> dict[str, Any]:
    """Every part, null where there is no answer yet, with a sentence in `why_not` under its name.

    within: how narrow the fair comparison's range is wished for, money a day to either side.
    """
    compared = verdict.fair_comparison
    parts: dict[str, Any] = {
        "against_export": _shown(_against_export, verdict.against_export),
        "before_after": _shown(_before_after, verdict.before_after),
        "fair_comparison": None if compared is None else comparison_answer(compared, within),
        "year": _shown(_year, verdict.year),
        "life": _shown(_life, verdict.life),
        "sensitivity": None if verdict.sensitivity is None else [asdict(each) for each in verdict.sensitivity],
        "advice": None if verdict.advice is None else [asdict(each) for each in verdict.advice],
        "carbon": None if verdict.carbon is None else asdict(verdict.carbon),
    }
    return {
        "schema": SCHEMA,
        "home": home,
        "currency": currency,
        **parts,
        "why_not": dict(verdict.why_not),
        "sources": {name: text for name, text in SOURCES.items() if parts[name] is not None},
        "notes": list(verdict.notes),
    }


def _shown(say: Any, part: Any) -> Any:
    return None if part is None else say(part)


def _against_export(part: "AgainstExport") -> dict[str, Any]:
    return {
        "from": part.first.isoformat(),
        "to": part.until.isoformat(),
        "diverted_kwh": part.diverted_kwh,
        "net": part.net,
        "given_up": part.given_up,
        "given_up_forgone": part.given_up_forgone,
        "given_up_bought": part.given_up_bought,
        "avoided": part.avoided,
        "net_kg": part.net_kg,
        "months": [
            {
                "month": month.first.strftime("%Y-%m"),
                "known": month.known,
                "diverted_kwh": month.diverted_kwh,
                "given_up": month.given_up,
                "avoided": month.avoided,
                "net": month.net,
                "net_kg": month.net_kg,
                "coverage": month.coverage,
            }
            for month in part.months
        ],
        "break_even_export_price": part.break_even_export_price,
        "export_price": part.export_price,
        "coverage": part.coverage,
        "unpriced_kwh": part.unpriced_kwh,
        "estimated_kwh": part.estimated_kwh,
        "by_source": [
            {"source": each.source, "heat_kwh": each.heat_kwh, "avoided": each.avoided} for each in part.by_source
        ],
        "off_in_losing_months": part.off_months_net,
        "counterfactual": "all that was diverted, sold at the export price of its moment; the heat made as before",
    }


def _before_after(part: "BeforeAfter") -> dict[str, Any]:
    regression = None if isinstance(part.regression, str) else part.regression
    money = part.money
    return {
        "installed": part.installed.isoformat(),
        "periods_before": part.periods_before,
        "periods_after": part.periods_after,
        "days_before": part.days_before,
        "days_after": part.days_after,
        "method": part.method,
        "confidence": part.confidence,
        "raw_kwh": part.raw_kwh,
        "saved_kwh": part.saved.value,
        "low_kwh": part.saved.low,
        "high_kwh": part.saved.high,
        "would_have_taken_kwh": part.taken_kwh,
        "bought_kwh": part.bought_kwh,
        "by_carrier": {
            name: {"saved_kwh": each.value, "low_kwh": each.low, "high_kwh": each.high}
            for name, each in part.by_carrier.items()
        },
        "saved": None if money is None else money.value,
        "low": None if money is None else money.low,
        "high": None if money is None else money.high,
        "drivers": list(part.used_drivers),
        "drivers_per_day": [
            {"name": driver.name, "before": driver.before, "after": driver.after} for driver in part.drivers
        ],
        "cv_rmse": None if regression is None else regression.cv_rmse,
        "nmbe": None if regression is None else regression.nmbe,
        "fsu": None if regression is None else regression.fsu,
        "option_c": _option_c(regression, str(part.regression)),
        "excluded": [
            {"from": period.first.isoformat(), "to": period.until.isoformat(), "line": period.line, "why": why}
            for period, why in part.excluded
        ],
        "notes": list(part.notes),
        "counterfactual": "what the periods after would have taken without the hardware, with their own days and water",
    }


def _option_c(regression: "Regression | None", why: str) -> dict[str, Any]:
    if regression is None:
        return {"saved_kwh": None, "why_not": why}
    known = regression.fsu is not None
    return {
        "saved_kwh": regression.saved_kwh,
        "low_kwh": regression.saved_kwh - regression.half_width_kwh if known else None,
        "high_kwh": regression.saved_kwh + regression.half_width_kwh if known else None,
        "adjusted_kwh": regression.adjusted_kwh,
        "drivers": list(regression.drivers),
        "cv_rmse": regression.cv_rmse,
        "nmbe": regression.nmbe,
        "fsu": regression.fsu,
        "within_limits": regression.within_limits,
    }


def _year(part: "YearAnswer") -> dict[str, Any]:
    return {
        "net": part.net.value,
        "low": part.net.low,
        "high": part.net.high,
        "kg": part.kg,
        "modelled_share": part.year.modelled_share,
        "source": part.source,
        "months": [
            {
                "month": month.month,
                "net": month.figures.net,
                "diverted_kwh": month.figures.kwh,
                "source": "measured" if month.measured else "modelled",
            }
            for month in part.year.months
        ],
    }


def _life(part: "Life") -> dict[str, Any]:
    names = ("simple_payback_years", "payback_years", "npv", "irr", "sir", "airr")
    return {
        "years": part.years,
        "spent": part.spent,
        **{name: _percentiles(getattr(part, name)) for name in names},
        "never_pays": part.never_pays,
        "keep_using": {
            "per_year": part.keep_per_year.p50,
            "p10": part.keep_per_year.p10,
            "p90": part.keep_per_year.p90,
        },
        "by_year": [_percentiles(each) for each in part.by_year],
    }


def _percentiles(part: "Percentiles") -> Mapping[str, float | None]:
    return {"p10": part.p10, "p50": part.p50, "p90": part.p90}
