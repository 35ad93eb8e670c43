"""The journal as a Parquet file, for analysis by columns. Needs the extra `parquet`; the daemon never imports it."""

from collections.abc import Iterable
from datetime import datetime
from itertools import islice
from pathlib import Path
from typing import Any

from accounting.ledger.records import JournalLine
from accounting.reports.journal_export import COLUMNS, SCHEMA, rows
from rules.model.errors import BrimfulError

_TIMES = ("start", "end", "booked_at", "replaced_at")
_WHOLE = ("version", "line", "energy_wh", "restatement")
_EXACT = ("cost", "carbon_kg")
_ROWS = 50_000  # a group at a time, so that memory does not grow with the ledger


def write(lines: Iterable[JournalLine], home: str, currency: str, file: Path) -> int:
    """Write the rows under `accounting.reports.journal_export.COLUMNS`; returns how many.

    Times are UTC timestamps in microseconds, cost and carbon exact decimals of six places; home, currency and the
    journal's schema stand in the file's metadata. Raises BrimfulError where the extra is not installed, OSError where
    the file cannot be written.
    """
    try:
        import pyarrow as arrow
        from pyarrow import parquet
    except ImportError:
        hint = "pip install pyarrow into brimful's environment, or take csv"
        raise BrimfulError("export", "parquet", "expected the library pyarrow, which is not installed", hint) from None
    metadata = {"schema": SCHEMA, "home": home, "currency": currency}
    schema = arrow.schema([(name, _type(arrow, name)) for name in COLUMNS], metadata=metadata)
    count = 0
    with parquet.ParquetWriter(file, schema, compression="zstd") as out:
        remaining = rows(lines)
        while group := list(islice(remaining, _ROWS)):
            columns = zip(COLUMNS, zip(*group, strict=True), strict=True)
            out.write_table(arrow.table([_column(arrow, name, cells) for name, cells in columns], schema=schema))
            count += len(group)
    return count


def _type(arrow: Any, name: str) -> Any:
    if name in _TIMES:
        return arrow.timestamp("us", tz="UTC")
    if name in _WHOLE:
        return arrow.int64()
    return arrow.decimal128(24, 6) if name in _EXACT else arrow.string()


def _column(arrow: Any, name: str, cells: tuple[Any, ...]) -> Any:
    if name in _TIMES:
        cells = tuple(cell and datetime.fromisoformat(cell) for cell in cells)
    return arrow.array(cells, type=_type(arrow, name))
