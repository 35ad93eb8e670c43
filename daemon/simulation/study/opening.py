"""Where a study's readings come from: a readings file, or the minutes that a ledger keeps on its tape."""

import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from math import inf
from pathlib import Path

from accounting.ledger import Ledger
from accounting.ledger.records import TapeChunk
from daemon.inputs.readings_file import OP, ReadingsFile, open_readings
from rules.model.errors import BrimfulError

_SQLITE = b"SQLite format 3\0"


@contextmanager
def open_recorded(path: Path, heaters: Sequence[str], last_s: float = inf) -> Iterator[ReadingsFile]:
    """Open a readings file, or a ledger's tape as one. heaters: the home's; last_s: how much of a tape's end is taken,
    a chunk more or less. Raises BrimfulError."""
    if not _is_ledger(path):
        with open_readings(path, heaters) as file:
            yield file
        return
    with Ledger.open_reader(path) as ledger:
        chunks = ledger.tape(-inf, inf)
        ends_s = max((chunk.to_s for chunk in chunks), default=0)
        chunks = [chunk for chunk in chunks if chunk.to_s >= ends_s - last_s]
        if not chunks:
            raise BrimfulError(OP, path.name, "expected recorded minutes, got a ledger without any")
        yield ReadingsFile(f"the tape of {path.name}", _lines(chunks), heaters)


def _is_ledger(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(len(_SQLITE)) == _SQLITE
    except OSError:
        return False  # `open_readings` says what is wrong with it


def _lines(chunks: Sequence[TapeChunk]) -> Iterator[str]:
    """The chunks as one CSV text, a chunk at a time in memory; a minute that comes twice stands as it came first."""
    columns = sorted({name for chunk in chunks for name in _head(chunk)})
    yield ",".join(("time", *columns)) + "\n"
    for chunk in sorted(chunks, key=lambda each: each.from_s):
        lines = zlib.decompress(chunk.data).decode().splitlines()
        place = {name: number for number, name in enumerate(lines[0].split(","))}
        order = [place.get(name, -1) for name in columns]
        for line in lines[1:]:
            cells = [*line.split(","), ""]
            yield ",".join((cells[0], *(cells[number] for number in order))) + "\n"


def _head(chunk: TapeChunk) -> list[str]:
    return zlib.decompressobj().decompress(chunk.data, 4096).decode().split("\n", 1)[0].split(",")[1:]
