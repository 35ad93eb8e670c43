"""Rows as they are read for an answer: one that is not as it was written is named, and gives no answer."""

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from accounting.ledger.errors import LedgerError
from accounting.ledger.proving import named
from accounting.ledger.sealing import BY_NAME, KEPT_BYTES, Sealing

_HINT = "`brimful verify` names all that is; keep the file as it is and restore a backup"


def not_as_written(path: Path, what: str) -> LedgerError:
    """The error about a damaged row. what: its name."""
    return LedgerError("read the ledger", str(path), f"{what} is not as it was written", _HINT, damaged=True)


class Row(dict[str, Any]):
    """A row by column. A column that the file does not have raises LedgerError."""

    def __init__(self, cells: Iterable[tuple[str, Any]], path: Path) -> None:
        super().__init__(cells)
        self._path = path

    def __missing__(self, name: str) -> Any:
        raise not_as_written(self._path, f"the column {name}")


class SoundRows:
    """Reads a table's rows, whole (`listed`), and looks at each one's digest."""

    def __init__(self, sealing: Sealing, table: str, path: Path) -> None:
        self._sealing = sealing
        self._columns = sealing.columns(table)
        self._place = self._columns.place("digest")
        self._path = path
        self.listed = self._columns.listed

    def check(self, rows: Sequence[Sequence[Any]], parts: Sequence[Sequence[Sequence[Any]]] = ()) -> None:
        """Look at whole rows' digests. parts: each one's parts, whole, if the table's rows have any. Raises LedgerError
        of the first row that is not as it was written."""
        table = self._columns.table
        for row, digest in zip(rows, self._sealing.digests(table, rows, parts), strict=True):
            if row[self._place] != digest[:KEPT_BYTES]:
                checked = self._by_column(row)
                of_it = BY_NAME.get(table)
                key = f"{table} {checked['id']}" if of_it is None else named(table, [checked[key] for key in of_it.key])
                raise not_as_written(self._path, f"the {key}")

    def sound(self, rows: Sequence[Sequence[Any]]) -> list[dict[str, Any]]:
        """Rows without parts, by column. Raises as `check` does."""
        self.check(rows)
        return [self._by_column(row) for row in rows]

    def _by_column(self, row: Sequence[Any]) -> Row:
        return Row(zip(self._columns.names, row, strict=True), self._path)
