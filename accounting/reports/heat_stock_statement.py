"""The heat stock's accounts as others read them: JSON and CSV. The figures are whole Wh, millionths and mg."""

import csv
import io
from collections.abc import Mapping
from decimal import Decimal
from fractions import Fraction
from typing import Any

from accounting.heat.inventory import Lot, Lots, total
from accounting.reports.heat_stock import StockReport, StockRow, average_cost
from accounting.reports.value_statement import local_iso

SCHEMA = "brimful.stock/1"
ACCOUNTS = ("opening", "received", "drawn", "lost", "unexplained", "closing")


def as_json(
    report: StockReport, *, home: str, currency: str, loss: Mapping[str, Any], tolerance_wh: int
) -> dict[str, Any]:
    """The report under the schema brimful.stock/1.

    Heat in kWh above the cold water's, cost in the currency unit, carbon in kg CO2e. loss: the standing loss it rests
    on; tolerance_wh: how far the booked stock may be from the stock by the level.
    """
    return {
        "schema": SCHEMA,
        "home": home,
        "currency": currency,
        "by": report.by,
        "timezone": report.zone.key,
        "loss": dict(loss),
        "tolerance_kwh": tolerance_wh / 1000,
        "rows": [_row(row, report) for row in report.rows],
        "total": _row(report.total, report),
    }


def as_csv(report: StockReport) -> str:
    """A line for each period, account and source; only the total if there are no periods."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("start", "end", "account", "source", "kwh", "cost", "kg"))
    for row in report.rows or (report.total,):
        span = local_iso(row.start_s, report.zone), local_iso(row.end_s, report.zone)
        for account in ACCOUNTS:
            for source, lot in sorted(getattr(row, account).items()):
                writer.writerow((*span, account, source, _point(lot.wh, 3), _point(lot.micro, 6), _point(lot.mg, 6)))
    return text.getvalue()


def shares(lots: Lots) -> dict[str, Fraction]:
    """Each source's share of the heat; none if there is no heat, or some is missing."""
    whole = total(lots.values()).wh
    if whole <= 0 or any(lot.wh < 0 for lot in lots.values()):
        return {}
    return {source: Fraction(lot.wh, whole) for source, lot in lots.items()}


def _row(row: StockRow, report: StockReport) -> dict[str, Any]:
    cost = average_cost(row.closing)
    return {
        "start": local_iso(row.start_s, report.zone),
        "end": local_iso(row.end_s, report.zone),
        **{account: _account(getattr(row, account)) for account in ACCOUNTS},
        "average_cost_per_kwh": None if cost is None else round(float(cost), 6),
        "used": None if row.used is None else round(float(row.used), 6),
        "additional_loss_kwh": round(row.additional_loss_wh) / 1000,
        "used_less_additional_loss": None if row.used_by_loss is None else round(float(row.used_by_loss), 6),
        "coverage": round(row.measured_s / row.known_s, 6) if row.known_s else 0.0,
        "metered_share": round(row.metered_s / row.known_s, 6) if row.known_s else 0.0,
    }


def _account(lots: Lots) -> dict[str, Any]:
    share = shares(lots)
    return {
        **_figures(total(lots.values())),
        "by_source": {
            source: {**_figures(lot), "share": round(float(share[source]), 6) if source in share else None}
            for source, lot in sorted(lots.items())
        },
    }


def _figures(lot: Lot) -> dict[str, float]:
    return {"kwh": lot.wh / 1000, "cost": lot.micro / 10**6, "kg": lot.mg / 10**6}


def _point(amount: int, places: int) -> str:
    return f"{Decimal(amount).scaleb(-places):f}"
