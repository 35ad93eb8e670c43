"""Recorded readings at one-minute resolution, kept as compressed text in the readings-file format.

A row stands for a whole minute and is dated by its end: at that instant each of its values was the latest one known.
So a replay of the tape never learns anything before the house did, and recording a tape that is replayed gives it back.
"""

import math
import zlib
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime

from accounting.ledger.records import TapeChunk

MINUTE_S = 60
Row = tuple[int, dict[str, float]]
"""UTC second of the minute's end; values by signal."""


class TapeRecorder:
    """Keeps the last reading of each signal in each minute until it is taken."""

    def __init__(self) -> None:
        self._minutes: dict[int, dict[str, tuple[float, float]]] = {}

    def note(self, signal: str, at_s: float, value: float) -> None:
        """Record a reading dated at_s (UTC seconds). A minute's latest stands; of two at one instant, the second."""
        end_s = -int(-at_s // MINUTE_S) * MINUTE_S
        minute = self._minutes.get(end_s)
        if minute is None:
            minute = self._minutes[end_s] = {}
        kept = minute.get(signal)
        if kept is None or at_s >= kept[0]:
            minute[signal] = (at_s, value)

    def take(self, before_s: float) -> TapeChunk | None:
        """Hand over the minutes that ended at or before before_s; None if there are none."""
        rows: list[Row] = [
            (end_s, {name: value for name, (_, value) in self._minutes.pop(end_s).items()})
            for end_s in sorted(end_s for end_s in self._minutes if end_s <= before_s)
        ]
        return pack(rows) if rows else None

    def put_back(self, chunk: TapeChunk) -> None:
        """Keep a chunk that could not be written after all; readings noted since stand."""
        for end_s, values in _parse(zlib.decompress(chunk.data).decode()):
            minute = self._minutes.setdefault(end_s, {})
            for signal, value in values.items():
                minute.setdefault(signal, (float(end_s - MINUTE_S), value))

    def keep_newest(self, most: int) -> int:
        """Let the oldest minutes go if there are more than `most`; returns how many."""
        gone = sorted(self._minutes)[:-most] if len(self._minutes) > most else []
        for end_s in gone:
            del self._minutes[end_s]
        return len(gone)


def pack(rows: list[Row]) -> TapeChunk:
    """The rows, ascending and at least one, as a chunk."""
    return TapeChunk(rows[0][0], rows[-1][0], len(rows), zlib.compress(as_csv(rows).encode(), 9))


def unpack(chunks: Iterable[TapeChunk], from_s: float = -math.inf, to_s: float = math.inf) -> list[Row]:
    """The rows of [from_s, to_s), ascending; where chunks overlap, a cell of the later one stands."""
    minutes: dict[int, dict[str, float]] = {}
    for chunk in chunks:
        for end_s, values in _parse(zlib.decompress(chunk.data).decode()):
            if from_s <= end_s < to_s:
                minutes.setdefault(end_s, {}).update(values)
    return sorted(minutes.items())


def readings_of(
    chunks: Iterable[TapeChunk], signals: Iterable[str], from_s: float = -math.inf, to_s: float = math.inf
) -> dict[str, list[tuple[int, float]]]:
    """The readings of some signals in [from_s, to_s): for each (UTC second of the minute's end, value), ascending.

    Many times as fast as `unpack`, for weeks of which a few signals matter. Of two for one minute the later chunk's
    stands.
    """
    found: dict[str, dict[int, float]] = {name: {} for name in signals}
    for chunk in chunks:
        head, *lines = zlib.decompress(chunk.data).decode().splitlines()
        names = head.split(",")
        places = [(names.index(name), found[name]) for name in found if name in names]
        if not places:
            continue
        most = max(place for place, _ in places) + 1
        for line in lines:
            cells = line.split(",", most)
            end_s = None
            for place, readings in places:
                if cells[place]:
                    if end_s is None:
                        end_s = int(datetime.fromisoformat(cells[0]).timestamp())
                    if from_s <= end_s < to_s:
                        readings[end_s] = float(cells[place])
    return {name: sorted(readings.items()) for name, readings in found.items()}


def as_csv(rows: Iterable[tuple[int, Mapping[str, float]]]) -> str:
    """The rows as a readings file: `time` in ISO 8601, then a column for each signal; an empty cell is no reading."""
    kept = list(rows)
    signals = sorted({name for _, values in kept for name in values})
    lines = [",".join(("time", *signals))]
    for end_s, values in kept:
        stamp = datetime.fromtimestamp(end_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        lines.append(",".join((stamp, *(_cell(values[name]) if name in values else "" for name in signals))))
    return "\n".join(lines) + "\n"


def _cell(value: float) -> str:
    """The shortest text that reads back as the same number."""
    return str(int(value)) if value == int(value) and abs(value) < 1e15 else repr(value)


def _parse(text: str) -> Iterator[Row]:
    head, *lines = text.splitlines()
    signals = head.split(",")[1:]
    for line in lines:
        stamp, *cells = line.split(",")
        values = {name: float(cell) for name, cell in zip(signals, cells, strict=True) if cell}
        yield int(datetime.fromisoformat(stamp).timestamp()), values
