"""From a payload to a value. Whatever comes, the answer is a number or a short reason; nothing is raised.

Reasons are a small fixed set, so that they can be counted; the payload itself is shown beside them.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import isfinite

from daemon.inputs.instants import NUMBER, age, instant, out_of_reach
from daemon.inputs.json_pointer import parse_pointer, resolve
from daemon.inputs.quantities import Units, quantity, units_of
from rules.model.signals import SIGNALS, Signal

MAXIMUM_PAYLOAD = 256 * 1024
"""Bytes beyond which a payload is not looked at."""

SCALED_TWICE = "states its unit, which is converted already: scale must then be 1, or -1 to turn its sign"
_LONGEST_NUMBER = 64
_WORDS: Mapping[str, float] = {"on": 1.0, "off": 0.0, "true": 1.0, "false": 0.0}
_ABSENT = frozenset({"unavailable", "unknown", "none", "null", "nan", "undefined"})
_NOT_FINITE = frozenset({"inf", "infinity", "+inf", "+infinity", "-inf", "-infinity"})
_LEAST_SCALE, _MOST_SCALE = 0.2, 5.0
"""A scale within these corrects a reading; one beyond converts its unit."""


@dataclass(frozen=True, slots=True)
class Source:
    """Where a signal is heard and how its payload becomes a value: value = number × scale + offset.

    pointer: RFC 6901, "" takes the payload itself; minus_pointer: a second number, taken off the first before scaling
    (what charges a battery and what it gives, say); time_pointer: the payload's own time, or its age as an ISO 8601
    duration, None if it carries none;
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
    minus_pointer: str | None = None
    path: tuple[str, ...] = field(init=False, repr=False, compare=False)
    minus_path: tuple[str, ...] | None = field(init=False, repr=False, compare=False)
    time_path: tuple[str, ...] | None = field(init=False, repr=False, compare=False)
    lowest: float = field(init=False, repr=False, compare=False)
    highest: float = field(init=False, repr=False, compare=False)
    known: Mapping[str, float] = field(init=False, repr=False, compare=False)
    units: Units = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        about = base_signal(self.signal)
        time_path = None if self.time_pointer is None else parse_pointer(self.time_pointer)
        put = object.__setattr__
        put(self, "path", parse_pointer(self.pointer))
        put(self, "minus_path", None if self.minus_pointer is None else parse_pointer(self.minus_pointer))
        put(self, "time_path", time_path)
        put(self, "lowest", about.lowest if self.minimum is None else max(about.lowest, self.minimum))
        put(self, "highest", about.highest if self.maximum is None else min(about.highest, self.maximum))
        usual = _WORDS if about.unit == "W" else {}
        put(self, "units", units_of(about.unit))
        put(self, "known", {**usual, **{word.strip().casefold(): number for word, number in self.words.items()}})


@dataclass(frozen=True, slots=True)
class Decoded:
    """A value in the signal's unit.

    at_s: UTC seconds of the payload's own time, None if it carries none; age_s: how old it says it is, in its place.
    """

    value: float
    at_s: float | None = None
    age_s: float | None = None


@dataclass(frozen=True, slots=True)
class Refused:
    """Why a payload gives no value."""

    reason: str


def base_signal(name: str) -> Signal:
    """The signal a source's name stands for, of a heater or of the house. Raises ValueError if none."""
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
    if text.startswith('"') or any(_reads_json(source) for source in sources):
        try:
            document = _parsed(text)
        except _Refusal as refusal:
            unreadable = refusal.refused
    answers: list[Decoded | Refused] = []
    for source in sources:
        if not _reads_json(source) and not text.startswith('"'):
            answers.append(_pick(text, source))
        else:
            answers.append(unreadable or _pick(document, source))
    return answers


def in_reach(decoded: Decoded, now_s: float) -> Decoded | Refused:
    """The same, unless its own time lies too far from now (UTC seconds) to be the reading's."""
    why = "" if decoded.at_s is None else out_of_reach(decoded.at_s, now_s)
    return Refused(why) if why else decoded


def _reads_json(source: Source) -> bool:
    return bool(source.path) or source.minus_path is not None or source.time_path is not None


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
        number = _number(_at(document, source.path, "nothing at its pointer"), source)
        if source.minus_path is not None:
            number -= _number(_at(document, source.minus_path, "nothing at its minus_pointer"), source)
        value = number * source.scale + source.offset
        if not isfinite(value):
            return Refused("not a finite number")
        if value < source.lowest:
            return Refused("below the lowest value taken as real")
        if value > source.highest:
            return Refused("above the highest value taken as real")
        if source.time_path is None:
            return Decoded(value)
        stamp = _at(document, source.time_path, "no time at its pointer")
        age_s = age(stamp)
        return Decoded(value, instant(stamp)) if age_s is None else Decoded(value, None, age_s)
    except _Refusal as refusal:
        return refusal.refused
    except ValueError as error:
        return Refused(str(error))


def _at(document: object, path: tuple[str, ...], otherwise: str) -> object:
    try:
        return resolve(document, path)
    except LookupError:
        raise _Refusal(otherwise) from None


def _number(found: object, source: Source) -> float:
    if isinstance(found, str):
        return _number_in_text(found.strip(), source)
    if isinstance(found, bool):
        return _number_in_text("true" if found else "false", source)
    if isinstance(found, int | float):
        try:
            return float(found)
        except OverflowError:
            raise _Refusal("not a finite number") from None
    raise _Refusal("says it has no value" if found is None else "not a number")


def _number_in_text(text: str, source: Source) -> float:
    words = source.known
    if len(text) <= _LONGEST_NUMBER:
        if NUMBER.fullmatch(text):
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
        measured = quantity(text, source.units)
        if measured is not None:
            number, converted = measured
            if converted and not _LEAST_SCALE <= abs(source.scale) <= _MOST_SCALE:
                raise _Refusal(SCALED_TWICE)
            return number
    elif (word := text.casefold()) in words:
        return words[word]
    raise _Refusal("not a number")
