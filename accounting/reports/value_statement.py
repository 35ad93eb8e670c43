"""A value report as others read it: JSON and CSV. The figures are the ledger's integers with the point put in."""

import csv
import io
from collections.abc import Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from accounting.pricing.carbon import Basis
from accounting.reports.used_share import Used
from accounting.reports.value import ValueReport, ValueRow

SCHEMA = "brimful.value/1"

# Name, the integer behind it, and how many decimals that has.
_FIGURES = (
    ("diverted_kwh", "diverted_wh", 3),
    ("given_up", "given_up_micro", 6),
    ("avoided", "avoided_micro", 6),
    ("net", "net_micro", 6),
    ("avoided_kg", "avoided_mg", 6),
    ("given_up_kg", "given_up_mg", 6),
    ("net_kg", "net_mg", 6),
)
_COVERAGE = ("coverage", "coverage_energy")
_MARKS = (
    ("estimated_kwh", "estimated_wh", 3),
    ("open_kwh", "open_wh", 3),
    ("unpriced_kwh", "unpriced_wh", 3),
    ("set_aside_kwh", "set_aside_wh", 3),
)
_FORGONE = (
    ("battery_forgone_kwh", "forgone_wh", 3),
    ("battery_forgone", "forgone_micro", 6),
    ("battery_forgone_kg", "forgone_mg", 6),
    ("battery_unheard_kwh", "unheard_wh", 3),
)
_BOUGHT = (
    ("grid_kwh", "grid_wh", 3),
    ("battery_kwh", "battery_wh", 3),
    ("bought", "bought_micro", 6),
    ("bought_kg", "bought_mg", 6),
)
_MARGINAL = (
    ("marginal_kwh", "marginal_wh", 3),
    ("avoided_marginal_kg", "avoided_marginal_mg", 6),
    ("given_up_marginal_kg", "given_up_marginal_mg", 6),
    ("bought_marginal_kg", "bought_marginal_mg", 6),
    ("net_marginal_kg", "net_marginal_mg", 6),
)


def as_json(
    report: ValueReport,
    *,
    home: str,
    currency: str,
    used: Used,
    displaces: Sequence[Mapping[str, Any]],
    carbon_basis: Basis | None = None,
) -> dict[str, Any]:
    """The report under the schema brimful.value/1.

    Energy in kWh, money in the currency unit, carbon in kg CO2e; times in ISO 8601 with the local offset.
    used: the share of the diverted heat that displaces something, and where it is from; displaces: what it displaces,
    in words; carbon_basis: of the factors behind the *_kg figures (None: there are none). Rows have figures of what was
    bought, of what the house battery forgoes, and of carbon by marginal factors, only where the report holds any; and a
    share used of their own where it is measured. unpriced_kwh, which lacks a price on one side, is in no amount of
    money. set_aside_kwh is in no other figure: a counter's difference is diverted_kwh and set_aside_kwh;
    set_aside_by_heater says whose.
    """
    return {
        "schema": SCHEMA,
        "home": home,
        "currency": currency,
        "by": report.by,
        "timezone": report.zone.key,
        "used": float(used.share),
        "used_basis": used.basis,
        "carbon_basis": carbon_basis,
        "displaces": [dict(source) for source in displaces],
        "unpriced_kwh": report.total.unpriced_wh / 1000,
        "set_aside_by_heater": {heater: wh / 1000 for heater, wh in report.set_aside.items()},
        "rows": [_row(row, report) for row in report.rows],
        "total": _row(report.total, report),
    }


def as_csv(report: ValueReport) -> str:
    """The report's rows, without the total, under the names of the JSON; every decimal of a figure is written."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    after = (*_MARKS, *_also(report))
    used = ("used",) if report.total.used is not None else ()
    writer.writerow(
        ("start", "end", *(name for name, _, _ in _FIGURES), *_COVERAGE, *(name for name, _, _ in after), *used)
    )
    for row in report.rows:
        writer.writerow(
            (
                local_iso(row.start_s, report.zone),
                local_iso(row.end_s, report.zone),
                *(_decimal(row, source, places) for _, source, places in _FIGURES),
                *(f"{getattr(row, name):.6f}" for name in _COVERAGE),
                *(_decimal(row, source, places) for _, source, places in after),
                *(f"{float(row.used or 0):.6f}" for _ in used),
            )
        )
    return text.getvalue()


def local_iso(at_s: int, zone: ZoneInfo) -> str:
    """ISO 8601 with the offset in force there and then; at_s in UTC seconds."""
    return datetime.fromtimestamp(at_s, zone).isoformat()


def _also(report: ValueReport) -> tuple[tuple[str, str, int], ...]:
    """Figures that most reports have none of."""
    total = report.total
    bought = total.grid_wh or total.battery_wh
    forgone = total.forgone_wh or total.unheard_wh
    return (
        *(_BOUGHT if bought else ()),
        *(_FORGONE if forgone else ()),
        *(_MARGINAL if total.marginal_wh else ()),
    )


def _row(row: ValueRow, report: ValueReport) -> dict[str, Any]:
    # An integer over a power of ten is the float nearest to the decimal, so that JSON shows just the decimal's digits.
    return {
        "start": local_iso(row.start_s, report.zone),
        "end": local_iso(row.end_s, report.zone),
        **{name: getattr(row, source) / 10**places for name, source, places in _FIGURES},
        **{name: round(getattr(row, name), 6) for name in _COVERAGE},
        **{name: getattr(row, source) / 10**places for name, source, places in (*_MARKS, *_also(report))},
        **({"used": float(row.used)} if row.used is not None else {}),
    }


def _decimal(row: ValueRow, source: str, places: int) -> str:
    return f"{Decimal(getattr(row, source)).scaleb(-places):f}"
