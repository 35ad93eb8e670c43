"""From a payload to a value. Whatever comes, the answer is a number or a short reason; nothing is raised.

Reasons are a small fixed set, so that they can be counted; the payload itself is shown beside them.
"""

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from math import isfinite

from daemon.inputs.json_pointer import parse_pointer, resolve
from rules.model.signals import SIGNALS, Signal

MAXIMUM_PAYLOAD = 256 * 1024
"""Bytes beyond which a payload is not looked at."""

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_LONGEST_NUMBER = 64
_LONGEST_TIME = 64
_WORDS: Mapping[str, float] = {"on": 1.0, "off": 0.0, "true": 1.0, "false": 0.0}
_ABSENT = frozenset({"unavailable", "unknown", "none", "null", "nan", "undefined"})
_NOT_FINITE = frozenset({"inf", "infinity", "+inf", "+infinity", "-inf", "-infinity"})
# A clock that was never set shows 1970. Instants outside 2001–2286 are nobody's present.
_EARLIEST_S, _LATEST_S = 1e9, 1e10


@dataclass(frozen=True, slots=True)
class Source:
    """Where a signal is heard and how its payload becomes a value: value = number × scale + offset.

    pointer: RFC 6901, "" takes the payload itself; time_pointer: the payload's own time, None if it carries none;
    minimum, maximum: narrower bounds than the signal's own, in the signal's unit;
    words: numbers that words stand for; scaled like any other number. A power may be on, off, true or false besides.
    Nothing else may, lest "on" pass for a level of 1 %, or for a counter that has begun anew.
    Raises ValueError for an unknown signal or a malformed pointer.
    """

    signal: str
    topic: str
    pointer: str = ""
    scale: float = 1.0
    offset: float = 0.0
    time_pointer: str | None = None
    minimum: float | None = None
    maximum: float | None = None
    words: Mapping[str, float] = field(default_factory=dict, hash=False)
    path: tuple[str, ...] = field(init=False, repr=False, compare=False)
    time_path: tuple[str, ...] | None = field(init=False, repr=False, compare=False)
    lowest: float = field(init=False, repr=False, compare=False)
    highest: float = field(init=False, repr=False, compare=False)
    known: Mapping[str, float] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        about = base_signal(self.signal)
        time_path = None if self.time_pointer is None else parse_pointer(self.time_pointer)
        put = object.__setattr__
        put(self, "path", parse_pointer(self.pointer))
        put(self, "time_path", time_path)
        put(self, "lowest", about.lowest if self.minimum is None else max(about.lowest, self.minimum))
        put(self, "highest", about.highest if self.maximum is None else min(about.highest, self.maximum))
        usual = _WORDS if about.unit == "W" else {}
        put(self, "known", {**usual, **{word.strip().casefold(): number for word, number in self.words.items()}})


@dataclass(frozen=True, slots=True)
class Decoded:
    """A value in the signal's unit. at_s: UTC seconds of the payload's own time, None if it carries none."""

    value: float
    at_s: float | None = None


@dataclass(frozen=True, slots=True)
class Refused:
    """Why a payload gives no value."""

    reason: str


def base_signal(name: str) -> Signal:
    """The signal a source's name stands for, told for a heater or for the house. Raises ValueError if none."""
    if name in SIGNALS:
        return SIGNALS[name]
    for signal in SIGNALS.values():
        if signal.per_heater and name.startswith(signal.name + "_"):
            return signal
    raise ValueError(f"no signal is called {name}")


def decode(payload: bytes, source: Source) -> Decoded | Refused:
    """The value one payload has for one source."""
    return decode_all(payload, (source,))[0]


def decode_all(payload: bytes, sources: Sequence[Source]) -> list[Decoded | Refused]:
    """The values one payload has for several sources; JSON is read once."""
    try:
        text = _text(payload)
    except _Refusal as refusal:
        return [refusal.refused] * len(sources)
    document: object = None
    unreadable: Refused | None = None
    if text.startswith('"') or any(source.path or source.time_path is not None for source in sources):
        try:
            document = _parsed(text)
        except _Refusal as refusal:
            unreadable = refusal.refused
    answers: list[Decoded | Refused] = []
    for source in sources:
        if not source.path and source.time_path is None and not text.startswith('"'):
            answers.append(_pick(text, source))
        else:
            answers.append(unreadable or _pick(document, source))
    return answers


def instant(value: object) -> float:
    """UTC seconds of a payload's own time: ISO 8601 with offset or Z, or seconds or milliseconds since 1970.

    Raises ValueError, with the reason, for anything else; a time without offset is anybody's guess and refused.
    """
    if isinstance(value, str):
        text = value.strip()
        if len(text) > _LONGEST_TIME:
            raise ValueError("its time is not one")
        if not _NUMBER.fullmatch(text):
            return _plausible(_iso(text))
        value = float(text)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError("its time is not one")
    try:
        seconds = float(value)
    except OverflowError:
        seconds = float("inf")
    if abs(seconds) >= _LATEST_S * 10:
        seconds /= 1000.0
    return _plausible(seconds)


class _Refusal(Exception):
    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.refused = Refused(reason)


def _text(payload: bytes) -> str:
    if len(payload) > MAXIMUM_PAYLOAD:
        raise _Refusal("longer than 256 kB")
    try:
        text = payload.decode("utf-8").strip()
    except UnicodeDecodeError:
        raise _Refusal("not UTF-8 text") from None
    if not text:
        raise _Refusal("empty")
    return text


def _parsed(text: str) -> object:
    try:
        # The interpreter refuses integers of more than 4,300 digits (ValueError), before any quadratic work.
        return json.loads(text)
    except RecursionError:
        raise _Refusal("JSON nested too deeply") from None
    except ValueError:
        known = text.casefold() in _ABSENT
        raise _Refusal("says it has no value" if known else "not readable as JSON") from None


def _pick(document: object, source: Source) -> Decoded | Refused:
    try:
        value = (
            _number(_at(document, source.path, "nothing at its pointer"), source.known) * source.scale + source.offset
        )
        if not isfinite(value):
            return Refused("not a finite number")
        if value < source.lowest:
            return Refused("below the lowest value taken as real")
        if value > source.highest:
            return Refused("above the highest value taken as real")
        if source.time_path is None:
            return Decoded(value)
        return Decoded(value, instant(_at(document, source.time_path, "no time at its pointer")))
    except _Refusal as refusal:
        return refusal.refused
    except ValueError as error:
        return Refused(str(error))


def _at(document: object, path: tuple[str, ...], otherwise: str) -> object:
    try:
        return resolve(document, path)
    except LookupError:
        raise _Refusal(otherwise) from None


def _number(found: object, words: Mapping[str, float]) -> float:
    if isinstance(found, str):
        return _number_in_text(found.strip(), words)
    if isinstance(found, bool):
        return _number_in_text("true" if found else "false", words)
    if isinstance(found, int | float):
        try:
            return float(found)
        except OverflowError:
            raise _Refusal("not a finite number") from None
    raise _Refusal("says it has no value" if found is None else "not a number")


def _number_in_text(text: str, words: Mapping[str, float]) -> float:
    if len(text) <= _LONGEST_NUMBER:
        if _NUMBER.fullmatch(text):
            return float(text)
        word = text.casefold()
        if word in words:
            return words[word]
        if not text:
            raise _Refusal("empty")
        if word in _ABSENT:
            raise _Refusal("says it has no value")
        if word in _NOT_FINITE:
            raise _Refusal("not a finite number")
    elif (word := text.casefold()) in words:
        return words[word]
    raise _Refusal("not a number")


def _iso(text: str) -> float:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError("its time is not one") from None
    if moment.tzinfo is None:
        raise ValueError("its time has no offset from UTC")
    try:
        return moment.timestamp()
    except OverflowError:
        raise ValueError("its time is not plausible") from None


def _plausible(seconds: float) -> float:
    if not _EARLIEST_S <= seconds < _LATEST_S:
        raise ValueError("its time is not plausible")
    return seconds
