"""Whether a file's rows are in order of time, and putting them in order with bounded memory."""

import heapq
import itertools
import json
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from datetime import datetime
from typing import IO, NamedTuple

Row = tuple[int, float, list[str]]
"""Line in the file, UTC seconds, cells."""

ROWS_AT_ONCE = 50_000
"""Rows that are held in memory while a file is put in order; the rest waits in temporary files."""


class Disorder(NamedTuple):
    """rows: how many; back: how many are earlier than the row before; first_line: the first of those."""

    rows: int
    back: int
    first_line: int

    def __str__(self) -> str:
        if self.back == self.rows - 1:
            return f"its {self.rows} rows come newest first; they were put in order of time"
        many = "1 row is" if self.back == 1 else f"{self.back} rows are"
        return f"{many} earlier than the row before, the first in line {self.first_line}; put in order of time"


def disorder(lines: Iterable[str]) -> Disorder | None:
    """What is out of order among a CSV's lines by their first column; None where nothing is.

    It looks no further than the first line without a time, which whoever reads the rows will name.
    """
    rows = back = first_line = 0
    last, last_at = "", datetime.min
    number = 0
    for number, line in enumerate(lines, 1):
        stamp = line.partition(",")[0].strip('"\r\n')
        if number == 1 or not stamp:
            continue
        rows += 1
        if last and stamp >= last and stamp[-1] == "Z" and len(stamp) == len(last) and stamp[10:11] == last[10:11]:
            last = stamp  # written alike, so that letters compare as times do
            continue
        try:
            at = datetime.fromisoformat(stamp)
            last_at = datetime.fromisoformat(last) if last else at
            earlier = at < last_at
        except (ValueError, TypeError):
            break
        if earlier:
            back += 1
            first_line = first_line or number
        last = stamp
    return Disorder(rows, back, first_line) if back else None


def in_order(rows: Iterator[Row]) -> Iterator[Row]:
    """The same rows by time, those of one instant by line."""
    with ExitStack() as files:
        runs: list[IO[str]] = []
        while chunk := sorted(itertools.islice(rows, ROWS_AT_ONCE), key=_key):
            run = files.enter_context(tempfile.TemporaryFile("w+", encoding="utf-8"))
            run.writelines(json.dumps(row) + "\n" for row in chunk)
            run.seek(0)
            runs.append(run)
        yield from heapq.merge(*(map(_row, run) for run in runs), key=_key)


def _key(row: Row) -> tuple[float, int]:
    return row[1], row[0]


def _row(text: str) -> Row:
    line, instant_s, cells = json.loads(text)
    return line, instant_s, cells
