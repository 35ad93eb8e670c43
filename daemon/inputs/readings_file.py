"""The readings file: CSV (also gzipped), first column `time`, the others signals; an empty cell is no reading."""

import csv
import gzip
import itertools
import math
import shutil
import tempfile
import zlib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import datetime
from difflib import get_close_matches
from io import TextIOWrapper
from pathlib import Path
from statistics import median
from typing import BinaryIO

from daemon.inputs.row_order import Disorder, Row, disorder, in_order
from rules.model.errors import BrimfulError
from rules.model.reading import Reading
from rules.model.signals import SIGNALS, find

OP = "read the readings"
_PEEK_ROWS = 240
_EARLIEST_YEAR, _LATEST_YEAR = 1971, 2200
_BROKEN = (csv.Error, UnicodeDecodeError, EOFError, OSError, zlib.error)
"""What a file that is no CSV text, or no gzip, makes Python raise."""


@dataclass(slots=True)
class Refusals:
    """Cells that are no reading: how many for each signal, and the first of each, in words."""

    count: dict[str, int] = field(default_factory=dict)
    first: dict[str, str] = field(default_factory=dict)

    def add(self, signal: str, line: int, cell: str, why: str) -> None:
        self.count[signal] = self.count.get(signal, 0) + 1
        self.first.setdefault(signal, f"line {line}: {cell[:40]!r} {why}")


class ReadingsFile:
    """An open readings file.

    name: the file's; signals: the columns' names, in order; step_s: for each, the usual time between two readings
    (None: too few to tell). Iterate `rows()` once; refusals: what was no reading on the way, in the columns asked for.
    disorder: how the file's rows are out of order; they are then put in order of time (None: they are left as they
    come).
    """

    def __init__(
        self, name: str, lines: Iterable[str], heaters: Sequence[str], disorder: Disorder | None = None
    ) -> None:
        self.name = name
        self.disorder = disorder
        self._reader = csv.reader(lines)
        try:
            header = next(self._reader, [])
        except _BROKEN as broken:
            raise BrimfulError(OP, name, f"expected CSV text, got {broken}") from broken
        self.signals = self._checked(header, heaters)
        self.refusals = Refusals()
        self._bounds = {name: _bounds(name, heaters) for name in self.signals}
        self._rest = self._raw() if disorder is None else in_order(self._raw())
        self._peeked = list(itertools.islice(self._rest, _PEEK_ROWS))
        self.step_s = {name: self._step(column) for column, name in enumerate(self.signals, 1)}

    def rows(self, signals: Sequence[str]) -> Iterator[tuple[float, list[Reading]]]:
        """(UTC seconds, the readings of `signals` dated by them). Raises BrimfulError.

        The readings are live ones: a recording's forward clock shows UTC seconds.
        """
        for instant_s, values in self.values(signals):
            yield instant_s, readings_of(signals, values, instant_s)

    def values(self, signals: Sequence[str]) -> Iterator[tuple[float, list[float | None]]]:
        """(UTC seconds, the values of `signals` in their order; None for no reading). Raises BrimfulError."""
        wanted = [(name, self.signals.index(name) + 1, *self._bounds[name]) for name in signals]
        for line, instant_s, row in self.cells():
            values: list[float | None] = []
            for name, column, lowest, highest in wanted:
                cell = row[column]
                if not cell:
                    values.append(None)
                    continue
                try:
                    value = float(cell)
                except ValueError:
                    value = math.nan
                if lowest <= value <= highest:
                    values.append(value)
                else:
                    values.append(None)
                    why = "is no number" if math.isnan(value) else f"is outside {lowest:g} to {highest:g}"
                    self.refusals.add(name, line, cell, why)
            yield instant_s, values

    def cells(self) -> Iterator[tuple[int, float, list[str]]]:
        """(line, UTC seconds, all cells) of each row, as they stand. Instead of `rows`, once. Raises BrimfulError."""
        return itertools.chain(self._peeked, self._rest)

    def _checked(self, header: list[str], heaters: Sequence[str]) -> list[str]:
        names = [cell.strip() for cell in header]
        if not names or names[0] != "time":
            got = repr(names[0][:40]) if names else "an empty file"
            raise BrimfulError(OP, self.name, f"expected a first column named 'time', got {got}")
        for name in names[1:]:
            if find(name, heaters) is None:
                close = get_close_matches(name, SIGNALS, 1)
                hint = f"did you mean {close[0]}?" if close else "the design's signal names carry their unit"
                raise BrimfulError(OP, self.name, f"expected signal names as columns, got {name[:40]!r}", hint)
            if names.count(name) > 1:
                raise BrimfulError(OP, self.name, f"expected each column once, got {name[:40]!r} twice")
        return names[1:]

    def _raw(self) -> Iterator[Row]:
        """(line, UTC seconds, cells) of each row."""
        width = len(self.signals) + 1
        parse = datetime.fromisoformat
        reader = self._reader
        try:
            for row in reader:
                if len(row) != width:
                    if not row:
                        continue
                    raise self._wrong(f"expected {width} cells, got {len(row)}")
                try:
                    instant = parse(row[0])
                except ValueError:
                    raise self._wrong(f"expected a time like 2026-06-01T12:00:00Z, got {row[0][:40]!r}") from None
                if instant.tzinfo is None:
                    raise self._wrong(f"expected a time with Z or an offset, got {row[0][:40]!r}")
                if not _EARLIEST_YEAR <= instant.year <= _LATEST_YEAR:
                    raise self._wrong(f"expected a year {_EARLIEST_YEAR} to {_LATEST_YEAR}, got {row[0][:40]!r}")
                yield reader.line_num, instant.timestamp(), row
        except _BROKEN as broken:
            raise self._wrong(f"expected CSV text, got {broken}") from broken

    def _wrong(self, cause: str) -> BrimfulError:
        return BrimfulError(OP, f"{self.name} line {self._reader.line_num}", cause)

    def _step(self, column: int) -> float | None:
        times = [instant_s for _, instant_s, row in self._peeked if row[column]]
        gaps = [later - earlier for earlier, later in itertools.pairwise(times) if later > earlier]
        return median(gaps) if gaps else None


def readings_of(signals: Sequence[str], values: Sequence[float | None], instant_s: float) -> list[Reading]:
    """A row's readings. values: of `signals`, in that order; None where there is no reading."""
    return [
        Reading(name, value, instant_s, instant_s)
        for name, value in zip(signals, values, strict=True)
        if value is not None
    ]


def _bounds(name: str, heaters: Sequence[str]) -> tuple[float, float]:
    found = find(name, heaters)
    assert found is not None
    return found[0].lowest, found[0].highest


@contextmanager
def open_readings(path: Path, heaters: Sequence[str]) -> Iterator[ReadingsFile]:
    """Open a readings file, .csv or .csv.gz; its rows come in order of time, whatever theirs is in the file.

    Raises BrimfulError, naming file, line and cell.
    """
    with _opened(path) as plain:
        found = None
        with suppress(*_BROKEN), _text(path, plain) as lines:  # who reads the rows says what is broken
            found = disorder(lines)
        plain.seek(0)
        with _text(path, plain) as lines:
            yield ReadingsFile(path.name, lines, heaters, found)


@contextmanager
def _text(path: Path, plain: BinaryIO) -> Iterator[TextIOWrapper]:
    binary = gzip.GzipFile(fileobj=plain) if path.suffix == ".gz" else plain
    text = TextIOWrapper(binary, encoding="utf-8-sig", newline="")
    try:
        yield text
    finally:
        text.detach()


@contextmanager
def _opened(path: Path) -> Iterator[BinaryIO]:
    """The file, or a copy of one that can be read only once."""
    try:
        plain = path.open("rb")
    except OSError as missing:
        raise BrimfulError(OP, str(path), f"expected a readable file, got {missing.strerror}") from missing
    with plain:
        if plain.seekable():
            yield plain
            return
        with tempfile.TemporaryFile() as copy:
            shutil.copyfileobj(plain, copy)
            copy.seek(0)
            yield copy
