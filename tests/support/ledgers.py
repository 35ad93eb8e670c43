"""Invented entries and ledgers to hold them."""

from pathlib import Path

from accounting.ledger import Facts, LedgerWriter
from accounting.model.entry import Entry, Posting

HALF_HOUR_S = 1800
START_S = 1_780_272_000  # 2026-06-01 00:00 UTC, a Monday
QUAY = Facts("Quay Cottage", 30, "EUR", "Europe/Dublin", ("main",))


def entry(
    place: int = 0,
    wh: int = 700,
    heater: str = "main",
    *,
    estimated_wh: int = 0,
    measured_s: int = 1800,
    step_s: int = 1800,
) -> Entry:
    """The interval `place` steps after START_S, at 5.5 cents given up and 20 cents avoided."""
    return Entry(
        START_S + place * step_s,
        step_s,
        heater,
        diverted_wh=wh,
        estimated_wh=estimated_wh,
        measured_s=measured_s,
        given_up_micro=wh * 55,
        avoided_micro=wh * 200,
        given_up_mg=wh * 255,
        avoided_mg=wh * 182,
        export_price_micro=55_000,
        import_price_micro=317_000,
        heat_value_micro=200_000,
        postings=(Posting("sun", -wh), Posting("tank", wh)),
    )


def new_ledger(folder: Path, facts: Facts = QUAY) -> LedgerWriter:
    return LedgerWriter.open(folder / "quay.sqlite", facts)
