"""The history as a table of texts, for entering it by hand: read, changed by a row, checked as a whole, and written.

The file stays the CSV that it is: columns and cells that were not touched are kept as they were written.
"""

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import blake2b
from pathlib import Path

from accounting.verdict.history import COLUMNS, parse_history
from daemon.config.model import Home
from daemon.config.replacing import replace_file
from rules.model.errors import BrimfulError
from rules.model.wording import say

OP = "write the history"
FILE = "history.csv"
"""Where it is kept unless the home file names another."""
USUAL = ("from", "to", "electricity_kwh", "gas_kwh", "water_l", "away_days", "estimated", "note")
"""The columns of a new file, and those that are always shown."""
_LONGEST = 200


@dataclass(frozen=True, slots=True)
class HistoryTable:
    """columns: in the file's order; rows: cells by column; content: the file as read, None where there is none."""

    path: Path
    columns: tuple[str, ...]
    rows: tuple[Mapping[str, str], ...]
    content: bytes | None

    @property
    def shown(self) -> tuple[str, ...]:
        """The columns that a table shows: the file's, and the usual ones."""
        return tuple(name for name in COLUMNS if name in self.columns or name in USUAL)

    @property
    def mark(self) -> str:
        """Distinguishes this state of the file from another."""
        return blake2b(self.content or b"", digest_size=8).hexdigest()


def history_path(home: Home) -> Path:
    """The history's file, there or not: the one that the home file names, else FILE beside it."""
    return home.path_of(home.verdict.history or FILE)


def read_table(path: Path) -> HistoryTable:
    """The table in a file, empty where there is none. Raises BrimfulError."""
    if path.suffix == ".gz":
        raise BrimfulError(OP, path.name, "expected a plain CSV file, got a compressed one", "unpack it first")
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        return HistoryTable(path, USUAL, (), None)
    except OSError as refused:
        raise BrimfulError(OP, path.name, f"expected a file that can be read, got {refused.strerror}") from refused
    try:
        lines = [[cell.strip() for cell in cells] for cells in csv.reader(io.StringIO(content.decode("utf-8-sig")))]
    except (UnicodeDecodeError, csv.Error) as broken:
        raise BrimfulError(OP, path.name, f"expected CSV text in UTF-8, got {broken}") from broken
    kept = [cells for cells in lines if any(cells)]
    if not kept:
        return HistoryTable(path, USUAL, (), content)
    head, *rest = kept
    unknown = [name for name in head if name not in COLUMNS]
    if unknown or any(len(cells) != len(head) for cells in rest):
        what = f"a column {unknown[0][:40]!r}" if unknown else "a row that is longer or shorter than the heading"
        raise BrimfulError(OP, path.name, f"expected the history's columns, got {what}", "mend it by hand")
    rows = tuple(dict(zip(head, cells, strict=True)) for cells in rest)
    return HistoryTable(path, tuple(head), rows, content)


def with_row(table: HistoryTable, place: int | None, cells: Mapping[str, str]) -> HistoryTable:
    """The table with a row in the place of another, or with a new one. cells: by column; those not given stay.

    Raises BrimfulError for a place that there is not, or a cell that cannot be one of a CSV file.
    """
    before = _row(table, place) if place is not None else {}
    entered = {name: " ".join(cells[name].split()) for name in COLUMNS if name in cells}
    for name, text in entered.items():
        if len(text) > _LONGEST or not text.isprintable():
            raise BrimfulError(
                OP, name, say("expected at most {most} printable characters, got {got}", most=_LONGEST, got=len(text))
            )
    row = {**before, **entered}
    columns = tuple(name for name in COLUMNS if name in table.columns or row.get(name))
    rows = [*table.rows]
    if place is None:
        rows.append(row)
    else:
        rows[place] = row
    return HistoryTable(table.path, _in_order(table, columns), tuple(rows), table.content)


def without_row(table: HistoryTable, place: int) -> HistoryTable:
    """The table without a row. Raises BrimfulError for a place that there is not."""
    _row(table, place)
    rows = tuple(row for number, row in enumerate(table.rows) if number != place)
    return HistoryTable(table.path, table.columns, rows, table.content)


def save(table: HistoryTable) -> None:
    """Check the table as the verdict will read it, and write it in one step. Raises BrimfulError: nothing is written.

    A table without rows is written as a heading alone.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(table.columns)
    writer.writerows([row.get(name, "") for name in table.columns] for row in table.rows)
    if table.rows:
        parse_history(text.getvalue().splitlines(), table.path.name)
    replace_file(OP, table.path, table.content, text.getvalue().encode())


def _row(table: HistoryTable, place: int) -> Mapping[str, str]:
    if not 0 <= place < len(table.rows):
        raise BrimfulError(
            OP, table.path.name, say("expected a row that is there"), say("it was changed meanwhile; look again")
        )
    return table.rows[place]


def _in_order(table: HistoryTable, columns: tuple[str, ...]) -> tuple[str, ...]:
    """The file's columns in its own order, then those that are new to it."""
    return (*table.columns, *(name for name in columns if name not in table.columns))
