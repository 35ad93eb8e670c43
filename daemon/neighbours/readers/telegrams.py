"""Hears a meter that sends telegrams by itself, each value with its OBIS code (IEC 62056-61).

The document holds each value by its code, as text with its unit where it has one: `{"1-0:1.8.0": "5012345.6 Wh",
"1-0:16.7.0": "-640 W"}`; a signal's pointer is "/1-0:16.7.0", and the unit is converted to the signal's own. Only a
telegram whose checksum is right counts; of several that wait the newest does.
"""

import re
import time
from collections.abc import Callable
from typing import Any, Protocol

from daemon.neighbours.readers.polling import ReadFailed

LARGEST_BYTES = 50_000
"""More than any telegram: what is older is let go."""
_PIECE_S = 1.0


class Stream(Protocol):
    """What comes from a meter."""

    def read(self) -> bytes:
        """What has come, after _PIECE_S at most; b"" where nothing has. Raises OSError once it is broken."""

    def close(self) -> None:
        """Let it go."""


class Framing(Protocol):
    """Finds the telegrams in what comes."""

    def newest(self, pending: bytes) -> tuple[dict[str, str] | None, bytes]:
        """The newest whole telegram's values by code, None where there is none, and what is left. Raises ValueError
        where one is broken."""


class Telegrams:
    """opening: opens the stream, raises OSError; within_s: silence after which the meter counts as not there."""

    def __init__(self, opening: Callable[[], Stream], framing: Framing, within_s: float) -> None:
        self._opening = opening
        self._framing = framing
        self._within_s = within_s
        self._stream: Stream | None = None
        self._pending = b""

    def read(self) -> dict[str, Any]:
        """As `Reader.read`: the next telegram."""
        give_up_s = time.monotonic() + self._within_s
        came, broken = 0, ""
        try:
            stream = self._stream = self._stream or self._opening()
            while time.monotonic() < give_up_s:
                piece = stream.read()
                came += len(piece)
                self._pending = (self._pending + piece)[-LARGEST_BYTES:]
                try:
                    telegram, self._pending = self._framing.newest(self._pending)
                except ValueError as wrong:
                    broken, self._pending = f"; the last was broken: {wrong}", b""
                    continue
                if telegram is not None:
                    return dict(telegram)
        except OSError as failed:
            raise ReadFailed(f"the meter's port fails: {failed.strerror or failed}") from None
        got = f"{came} bytes without one{broken}" if came else "nothing"
        hint = "; another format or speed?" if came and not broken else ""
        raise ReadFailed(f"expected a telegram within {self._within_s:g} s, got {got}{hint}")

    def close(self) -> None:
        """As `Reader.close`."""
        stream, self._stream, self._pending = self._stream, None, b""
        if stream is not None:
            stream.close()


class TextTelegrams:
    """Text as P1 ports send it: `/NAME`, a line for each value, `!` and a checksum (CRC-16 with the polynomial
    x^16 + x^15 + x^2 + 1, over all from `/` to `!`) or, from older meters, none.

    Source: DSMR P1 companion standard 5.0.2, section 6.2, and IEC 62056-21 for the lines; from memory.
    """

    _TELEGRAM = re.compile(rb"(/[^/!]{1,%d}!)([0-9A-F]{4})?\r?\n" % LARGEST_BYTES)
    _CODE = re.compile(r"(\d+-\d+:\d+\.\d+\.\d+)(?:\.255|\*255)?")
    _NUMBER = re.compile(r"([+-]?\d+(?:\.\d+)?)(?:\*(\S+))?")

    def newest(self, pending: bytes) -> tuple[dict[str, str] | None, bytes]:
        """As `Framing.newest`."""
        whole = list(self._TELEGRAM.finditer(pending))
        if not whole:
            return None, pending
        telegram, sum_sent = whole[-1].groups()
        if sum_sent is not None and int(sum_sent, 16) != crc16(telegram):
            raise ValueError("its checksum is wrong")
        values: dict[str, str] = {}
        for line in telegram.decode("ascii", "replace").splitlines():
            # In plain steps: one pattern for all of it takes seconds on a line of noise, and no other thread runs then.
            before, opened, rest = line.rstrip().partition("(")
            code = self._CODE.fullmatch(before)
            if code is None or not opened or not rest.endswith(")"):
                continue
            text = re.split(r"[()]", rest[:-1])[-1]
            number = self._NUMBER.fullmatch(text)
            values[code[1]] = text if number is None else " ".join(filter(None, number.groups()))
        return values, pending[whole[-1].end() :]


def crc16(data: bytes) -> int:
    """CRC-16 of the polynomial x^16 + x^15 + x^2 + 1, least bit first, from 0: 0xBB3D for b"123456789" (CRC-16/ARC)."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return crc


class SmlTelegrams:
    """Smart Message Language (BSI TR-03109-1, annex IV), by a library: the extra `telegrams`."""

    def newest(self, pending: bytes) -> tuple[dict[str, str] | None, bytes]:
        """As `Framing.newest`."""
        try:
            from smllib.const import UNITS
            from smllib.errors import SmlLibException
            from smllib.reader import SmlStreamReader
        except ImportError:
            raise ReadFailed("the extra `telegrams` is not installed: pip install 'brimful[telegrams]'") from None
        reader = SmlStreamReader()
        reader.add(pending)
        newest = None
        try:
            while (frame := reader.get_frame()) is not None:
                newest = frame
            if newest is None:
                return None, pending
            values: dict[str, str] = {}
            for entry in newest.get_obis():
                value = entry.get_value()
                unit = UNITS.get(entry.unit, "") if entry.unit is not None else ""
                if value is not None:
                    values[entry.obis.obis_code.partition("*")[0]] = f"{_plain(value)} {unit}".strip()
        except SmlLibException as wrong:
            raise ValueError(type(wrong).__name__) from None
        except (IndexError, KeyError, TypeError) as wrong:
            raise ValueError("it is no whole telegram") from wrong
        return values, reader.bytes


def _plain(value: Any) -> str:
    """A number without exponent, which a counter of many digits would get."""
    return f"{value:.6f}".rstrip("0").rstrip(".") if isinstance(value, float) else str(value)
