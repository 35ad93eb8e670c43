"""Reads a device on a thread of its own, again and again, and says when it does not answer."""

import json
import logging
import threading
from collections.abc import Callable
from math import isfinite
from typing import Any, Protocol

from daemon.timing.events import READER_LINK, Linked

log = logging.getLogger(__name__)

_FIRST_WAIT_S = 2.0
_LONGEST_WAIT_S = 60.0
_RETRY_S = 300.0
_STOP_S = 2.0


class ReadFailed(Exception):
    """Why a device could not be read, for people."""


class Reader(Protocol):
    """A device."""

    def read(self) -> dict[str, Any]:
        """What it says now, in a time that is bounded; opens what is closed. Raises ReadFailed."""

    def close(self) -> None:
        """Let it go; it may be read again. A read on another thread then fails soon."""


def document(reading: Any) -> bytes:
    """What a device says as JSON; what JSON cannot say is null (an infinity) or text (anything but plain values)."""
    return json.dumps(_plain(reading), allow_nan=False).encode()


def _plain(reading: Any) -> Any:
    if isinstance(reading, dict):
        return {str(key): _plain(value) for key, value in reading.items()}
    if isinstance(reading, list | tuple):
        return [_plain(value) for value in reading]
    if isinstance(reading, float):
        return reading if isfinite(reading) else None
    return reading if reading is None or isinstance(reading, int | str) else str(reading)


class Poller:
    """name: of the table [readers.NAME]; every_s: pause between two readings, 0 where the device sets the pace; hear:
    takes the document; emit: takes `Linked`, once for each change and each new reason. Both run on its thread."""

    def __init__(
        self,
        name: str,
        reader: Reader,
        every_s: float,
        hear: Callable[[bytes], None],
        emit: Callable[[Linked], None],
    ) -> None:
        self.link = f"{READER_LINK}{name}"
        self._reader = reader
        self._every_s = every_s
        self._hear = hear
        self._emit = emit
        self._failures = 0
        self._last_why: str | None = None
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name=self.link, daemon=True)

    def start(self) -> None:
        """Begin to read."""
        self._thread.start()

    def stop(self) -> None:
        """End; what is under way is let end for a while."""
        self._over.set()
        self._reader.close()
        if self._thread.is_alive():
            self._thread.join(_STOP_S)

    def _run(self) -> None:
        while not self._over.is_set():
            self.turn()
            self._over.wait(self._wait_s())
        self._reader.close()

    def turn(self) -> None:
        """Read it once."""
        try:
            self._hear(document(self._reader.read()))
            self._failures = 0
            self._say("")
        except ReadFailed as failed:
            self._failed(str(failed))
        except Exception as failed:  # whatever a library throws, it is read again
            log.exception("%s failed", self.link)
            self._failed(f"reading it failed: {type(failed).__name__}")

    def _wait_s(self) -> float:
        if not self._failures:
            return self._every_s
        wait_s = min(_LONGEST_WAIT_S, _FIRST_WAIT_S * 2.0 ** min(self._failures - 1, 10))
        return max(min(self._every_s, _RETRY_S), wait_s)

    def _failed(self, why: str) -> None:
        self._failures += 1
        self._reader.close()
        if not self._over.is_set():
            self._say(why)

    def _say(self, why: str) -> None:
        if why != self._last_why:
            self._last_why = why
            self._emit(Linked(self.link, not why, why))
