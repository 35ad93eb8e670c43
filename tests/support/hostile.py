"""Hostile bytes: mutations of what a device may send, documents grown from a grammar; the same for the same seed."""

import contextlib
import ctypes
import gc
import json
import resource
import sys
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta, timezone
from random import Random
from typing import Any

NASTY_BYTES = (
    b"\x00",
    b"\xff",
    b"\xfe",
    b"\xef\xbb\xbf",
    b"\xed\xa0\x80",
    b"\xc0\xaf",
    b"\r\n",
    b'"',
    b"\\",
    b"{",
    b"]",
)
NASTY_NUMBERS = (
    *("NaN", "nan", "Infinity", "-Infinity", "inf", "1e999", "-1e999", "1e308", "5e-324", "-0", "-0.0", "00", "0x10"),
    *(
        "1_000",
        "1,5",
        "1.",
        ".5",
        "+5",
        "--1",
        "1e",
        "1e+",
        "9" * 40,
        "9" * 5000,
        "1" + "0" * 400,
        "0." + "0" * 80 + "1",
    ),
    *("٣", "１２", "½", "1e1000000000", "12 %", "true", "1e-400", "95", "94.999999999999999", "110.0000001", "1e6"),
)
WORDS = (
    *("unavailable", "unknown", "on", "off", "ON", "Off", "true", "false", "none", "null", "None", "undefined"),
    *(
        "",
        " ",
        "idle",
        "closed",
        "ﬀ",
        "ſ",
        "oﬀ",
        "NULL",
        "error",
        "N/A",
        "-",
        "on\x00",
        "\u2028",
        "\N{BYTE ORDER MARK}50",
    ),
)
TIMES = (
    *("1970-01-01T00:00:00Z", "0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59-23:59", "9999-12-31", "2026-06-01"),
    *("2026-06-01T12:00:00", "2026-06-01T12:00:00Z", "2026-06-01T12:00:00z", "2026-06-01T12:00:00+14:00"),
    *("2026-06-01T12:00:00-12:00", "2026-06-01T12:00:00+05:45", "2026-06-01T12:00:00+00:00:30", "2026-W23-1T12Z"),
    *(
        "2026-06-01T12:00:60Z",
        "2026-02-30T00:00Z",
        "2026-06-01T24:00Z",
        "2026-06-01T12:00:00.123456789Z",
        "20260601T12Z",
    ),
    *("2026-06-01T12:00:00+24:00", "2026-06-01T12:00:00.1Z", "2026-06-01 12:00:00+0100", "soon", "", "1780315200"),
    *("1780315200000", "1e10", "9.9e9", "1e9", "-1", "1e999", "nan", "2001-09-09T01:46:40Z", "2286-11-20T17:46:39Z"),
)
LARGEST = 256 * 1024
_NESTINGS = (10, 200, 990, 1100, 100_000)


def mutated(payload: bytes, others: Sequence[bytes], dice: Random) -> bytes:
    """The payload after one to four mutations; now and then a very large one."""
    for _ in range(dice.choice((1, 1, 1, 2, 2, 4))):
        payload = dice.choice(_MUTATIONS)(payload, others, dice)
    return payload


def _flip(payload: bytes, others: Sequence[bytes], dice: Random) -> bytes:
    if not payload:
        return b"\x01"
    at = dice.randrange(len(payload))
    return payload[:at] + bytes([payload[at] ^ (1 << dice.randrange(8))]) + payload[at + 1 :]


def _byte(payload: bytes, others: Sequence[bytes], dice: Random) -> bytes:
    at = dice.randrange(len(payload) + 1)
    return payload[:at] + bytes([dice.randrange(256)]) + payload[at + 1 :]


def _cut(payload: bytes, others: Sequence[bytes], dice: Random) -> bytes:
    at = dice.randrange(len(payload) + 1)
    return payload[:at] if dice.random() < 0.5 else payload[at:]


def _insert(payload: bytes, others: Sequence[bytes], dice: Random) -> bytes:
    at = dice.randrange(len(payload) + 1)
    return payload[:at] + dice.choice(NASTY_BYTES) + payload[at:]


def _splice(payload: bytes, others: Sequence[bytes], dice: Random) -> bytes:
    other = dice.choice(others)
    return payload[: dice.randrange(len(payload) + 1)] + other[dice.randrange(len(other) + 1) :]


def _repeat(payload: bytes, others: Sequence[bytes], dice: Random) -> bytes:
    start, end = sorted((dice.randrange(len(payload) + 1), dice.randrange(len(payload) + 1)))
    return payload[:end] + payload[start:end] * dice.choice((1, 2, 9)) + payload[end:]


def _drop(payload: bytes, others: Sequence[bytes], dice: Random) -> bytes:
    start, end = sorted((dice.randrange(len(payload) + 1), dice.randrange(len(payload) + 1)))
    return payload[:start] + payload[end:]


def _number(payload: bytes, others: Sequence[bytes], dice: Random) -> bytes:
    """Another number in the place of one."""
    digits = b"0123456789"
    places = [at for at, byte in enumerate(payload) if byte in digits]
    if not places:
        return payload
    start = end = dice.choice(places)
    while start and payload[start - 1] in digits + b".-+":
        start -= 1
    while end < len(payload) and payload[end] in digits + b".":
        end += 1
    return payload[:start] + number(dice).encode() + payload[end:]


def _encode(payload: bytes, others: Sequence[bytes], dice: Random) -> bytes:
    text = payload.decode("utf-8", "replace")
    return text.encode(
        dice.choice(("utf-16", "utf-16-le", "utf-32", "latin-1", "utf-8-sig", "cp037", "utf-7")), "replace"
    )


def _pad(payload: bytes, others: Sequence[bytes], dice: Random) -> bytes:
    if dice.random() < 0.98:
        return dice.choice((b" ", b"\n\t", b"\x0b", b"\xc2\xa0", b"\xe2\x80\xa8")) * dice.randrange(1, 4) + payload
    return payload + b" " * (LARGEST - len(payload) + dice.choice((-1, 0, 1)))


def _nest(payload: bytes, others: Sequence[bytes], dice: Random) -> bytes:
    if dice.random() < 0.9:
        return b"[" + payload + b"]"
    deep = dice.choice(_NESTINGS)
    opening = dice.choice((b"[", b'{"w":'))
    return opening * deep + payload + (b"]" if opening == b"[" else b"}") * dice.choice((deep, 0))


_MUTATIONS: tuple[Callable[[bytes, Sequence[bytes], Random], bytes], ...] = (
    *(_flip, _flip, _byte, _byte, _cut, _insert, _insert, _splice, _repeat, _drop, _number, _number, _number),
    *(_encode, _pad, _nest),
)


def number(dice: Random) -> str:
    """A number, in a shape that somebody's firmware has."""
    match dice.randrange(7):
        case 0:
            return dice.choice(NASTY_NUMBERS)
        case 1:
            return str(dice.randrange(-10, 120))
        case 2:
            return repr(dice.uniform(-200, 200))
        case 3:
            return repr(10 ** dice.uniform(-320, 308) * dice.choice((1, -1)))
        case 4:
            return str(dice.getrandbits(dice.choice((8, 31, 33, 63, 65, 1024))))
        case 5:
            return f"{dice.uniform(-1e4, 1e4):.{dice.randrange(20)}f}"
        case _:
            return f"{dice.randrange(1000)}{dice.choice('eE')}{dice.randrange(-30, 30):+03d}"


def moment(dice: Random, utc_s: float) -> str:
    """A time as JSON: good ones of every odd offset, and all that is none."""
    match dice.randrange(5):
        case 0:
            return json.dumps(dice.choice(TIMES))
        case 1:
            return number(dice)
        case 2:
            return repr((utc_s + dice.uniform(-1e5, 1e5)) * dice.choice((1, 1000, 1e6)))
        case 3:
            return json.dumps(
                iso(utc_s + dice.choice((-1e9, -7200, -1, 0, 0, 1, 7200, 1e8)), dice.randrange(-1439, 1440))
            )
        case _:
            return json.dumps(iso(utc_s - dice.uniform(0, 30), dice.choice((0, 60, 345, 840, -720))))


def iso(utc_s: float, offset_min: int) -> str:
    """An instant as ISO 8601 with an offset of so many minutes."""
    at = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=utc_s)
    return at.astimezone(timezone(timedelta(minutes=offset_min))).isoformat()


def scalar(dice: Random) -> str:
    """A JSON value, or what some would take for one."""
    match dice.randrange(8):
        case 0:
            return json.dumps(dice.choice(WORDS), ensure_ascii=dice.random() < 0.5)
        case 1:
            return json.dumps(number(dice))
        case 2:
            return dice.choice(
                ("null", "true", "false", "[]", "{}", '""', "undefined", "'5'", '"\\ud800"', '"\\u0000"')
            )
        case _:
            return number(dice)


def document(keys: Sequence[str], dice: Random, utc_s: float) -> bytes:
    """A JSON document: the keys present, absent, twice, of another type, deeper than expected; times under "t"."""
    members = []
    for key in keys:
        for _ in range(dice.choice((0, 1, 1, 1, 1, 1, 1, 2))):
            value = moment(dice, utc_s) if key == "t" else scalar(dice)
            if dice.random() < 0.05:
                value = dice.choice(("[{}]", '{{"w": {}}}', "[[{}]]", '{{"0": {}}}')).format(value)
            members.append(f"{json.dumps(key)}: {value}")
    dice.shuffle(members)
    shape = dice.choice(("{{{}}}",) * 12 + ("[{{{}}}]", '{{"": {{{}}}}}', "{{{}", "{{{},}}", "{{{}}} {{}}"))
    text = shape.format(", ".join(members))
    return text.encode("utf-8", "surrogatepass")


def text(dice: Random, utc_s: float) -> bytes:
    """A payload that is the value itself."""
    match dice.randrange(5):
        case 0:
            return dice.choice(WORDS).encode()
        case 1:
            return scalar(dice).encode("utf-8", "surrogatepass")
        case 2:
            return moment(dice, utc_s).encode()
        case _:
            return number(dice).encode()


class Held:
    """What this process holds, from one look to another: Python's own blocks, and the memory it keeps from the system.

    Blocks show a leak of Python objects exactly; resident memory shows the rest, free lists and fragments included.
    """

    def __init__(self) -> None:
        gc.collect()
        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).malloc_trim(0)  # what is free already is no growth
        self.blocks = sys.getallocatedblocks()
        with open("/proc/self/statm") as file:
            self.resident_bytes = int(file.read().split()[1]) * resource.getpagesize()


def shown(value: Any) -> str:
    """A payload for a failure's message."""
    return repr(value[:200])
