"""The readings file: CSV (also gzipped), first column `time`, the others signals; an empty cell is no reading."""

import csv
import gzip
import itertools
import math
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from difflib import get_close_matches
from io import TextIOWrapper
from pathlib import Path
from statistics import median

from rules.errors import BrimfulError
from rules.signals import SIGNALS, find

OP = "read the readings"
_PEEK_ROWS = 240


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

    signals: the columns' names, in order; step_s: for each, the usual time between two readings (None: too few to
    tell). Iterate `rows()` once.
    """

    def __init__(self, name: str, lines: Iterable[str], heaters: Sequence[str]) -> None:
        self._name = name
        self._reader = csv.reader(lines)
        try:
            header = next(self._reader, [])
        except (csv.Error, UnicodeDecodeError, EOFError, OSError) as broken:
            raise BrimfulError(OP, name, f"expected CSV text, got {broken}") from broken
        self.signals = self._checked(header, heaters)
        self.refusals = Refusals()
        self._bounds = [
            (signal.lowest, signal.highest)
            for name in self.signals
            if (found := find(name, heaters)) is not None and (signal := found[0])
        ]
        self._peeked = list(itertools.islice(self._parsed(), _PEEK_ROWS))
        self.step_s = self._steps()

    def rows(self) -> Iterator[tuple[float, list[float | None]]]:
        """(UTC seconds, one value or None for each signal), in the file's order."""
        return itertools.chain(self._peeked, self._parsed())

    def _checked(self, header: list[str], heaters: Sequence[str]) -> list[str]:
        names = [cell.strip().removeprefix("\ufeff") for cell in header]
        if not names or names[0] != "time":
            got = repr(names[0]) if names else "an empty file"
            raise BrimfulError(OP, self._name, f"expected a first column named 'time', got {got}")
        for name in names[1:]:
            if find(name, heaters) is None:
                close = get_close_matches(name, SIGNALS, 1)
                hint = f"did you mean {close[0]}?" if close else "the design's signal names carry their unit"
                raise BrimfulError(OP, self._name, f"expected signal names as columns, got {name!r}", hint)
            if names.count(name) > 1:
                raise BrimfulError(OP, self._name, f"expected each column once, got {name!r} twice")
        return names[1:]

    def _parsed(self) -> Iterator[tuple[float, list[float | None]]]:
        width = len(self.signals) + 1
        parse = datetime.fromisoformat
        reader = self._reader
        bounds = self._bounds
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
                values: list[float | None] = []
                for column in range(1, width):
                    cell = row[column]
                    if not cell:
                        values.append(None)
                        continue
                    try:
                        value = float(cell)
                    except ValueError:
                        value = math.nan
                    lowest, highest = bounds[column - 1]
                    if lowest <= value <= highest:
                        values.append(value)
                    else:
                        values.append(None)
                        why = "is no number" if math.isnan(value) else f"is outside {lowest:g} to {highest:g}"
                        self.refusals.add(self.signals[column - 1], reader.line_num, cell, why)
                yield instant.timestamp(), values
        except (csv.Error, UnicodeDecodeError, EOFError, OSError) as broken:
            raise self._wrong(f"expected CSV text, got {broken}") from broken

    def _wrong(self, cause: str) -> BrimfulError:
        return BrimfulError(OP, f"{self._name} line {self._reader.line_num}", cause)

    def _steps(self) -> dict[str, float | None]:
        steps: dict[str, float | None] = {}
        for column, name in enumerate(self.signals):
            times = [time_s for time_s, values in self._peeked if values[column] is not None]
            gaps = [later - earlier for earlier, later in itertools.pairwise(times) if later > earlier]
            steps[name] = median(gaps) if gaps else None
        return steps


@contextmanager
def open_readings(path: Path, heaters: Sequence[str]) -> Iterator[ReadingsFile]:
    """Open a readings file, .csv or .csv.gz. Raises BrimfulError, naming file, line and cell."""
    try:
        plain = path.open("rb")
    except OSError as missing:
        raise BrimfulError(OP, str(path), f"expected a readable file, got {missing.strerror}") from missing
    with plain:
        binary = gzip.GzipFile(fileobj=plain) if path.suffix == ".gz" else plain
        with TextIOWrapper(binary, encoding="utf-8", newline="") as text:
            yield ReadingsFile(path.name, text, heaters)
