"""A payload of prices given ahead, and the rows of a series in it."""

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from pathlib import Path

from accounting.pricing.series import Row, exact, lasting
from daemon.inputs.instants import instant
from daemon.inputs.json_pointer import parse_pointer, resolve

LARGEST_BYTES = 5_000_000
MOST_ROWS = 50_000
_LARGEST = 10_000


@dataclass(frozen=True, slots=True)
class Feed:
    """Where rows of a series come from, and how a payload becomes rows: value = number × scale, for `step_s` each.

    name: the tariff's or factor's, for people; path: the file they are kept in; rows, time, value: RFC 6901 pointers,
    to the list in the payload, and in each of its rows. url: fetched every `refresh_s`; else topic: listened to.
    redirects_to: hosts besides its own that the address may send us on to. asking: instead of the address, what gives
    the payload for a day: a plug-in.
    """

    name: str
    path: Path
    rows: str
    time: str
    value: str
    scale: Fraction
    step_s: int
    url: str = ""
    refresh_s: float = 3600.0
    topic: str = ""
    redirects_to: tuple[str, ...] = ()
    asking: Callable[[date], bytes] | None = None


@dataclass(frozen=True, slots=True)
class Payload:
    """The rows that could be read, each lasting its step, and a sentence for each that could not."""

    rows: list[Row]
    faults: list[str]


class _NumberText(str):
    """A JSON number as it was written: none is too long or too large to be looked at."""


def read_payload(payload: bytes, feed: Feed) -> Payload:
    """The rows of a payload. A row that cannot be read is left out and named.

    Raises ValueError, with the reason, where the payload is no list of rows, or no row of it can be read.
    """
    if len(payload) > LARGEST_BYTES:
        raise ValueError(f"expected at most {LARGEST_BYTES // 1_000_000} MB, got more")
    try:
        document = json.loads(
            payload.decode("utf-8"), parse_float=_NumberText, parse_int=_NumberText, parse_constant=_NumberText
        )
    except (ValueError, RecursionError):
        raise ValueError("expected JSON, got something else") from None
    try:
        found = resolve(document, parse_pointer(feed.rows))
    except LookupError:
        raise ValueError(f'expected rows at "{feed.rows}", got nothing there') from None
    rows = found if isinstance(found, list) else [found]
    if not 0 < len(rows) <= MOST_ROWS:
        raise ValueError(f"expected 1 to {MOST_ROWS} rows, got {len(rows)}")
    paths = parse_pointer(feed.time), parse_pointer(feed.value)
    read: list[Row] = []
    faults: list[str] = []
    for number, row in enumerate(rows, 1):
        try:
            read.append(_row(row, *paths, feed.scale))
        except ValueError as wrong:
            faults.append(f"row {number}: {wrong}")
    if not read:
        raise ValueError(faults[0])
    return Payload(lasting(read, feed.step_s), faults)


def _row(row: object, time: Sequence[str], value: Sequence[str], scale: Fraction) -> Row:
    try:
        at, price = resolve(row, tuple(time)), resolve(row, tuple(value))
    except LookupError:
        raise ValueError("expected a time and a value, got a row without") from None
    at_s = round(instant(at))
    if price is None:
        return at_s, None
    try:
        per_kwh = exact(price.strip() if isinstance(price, str) else "") * scale
    except ValueError:
        raise ValueError(f"expected a number, got {_shown(price)}") from None
    if abs(per_kwh) > _LARGEST:
        raise ValueError(f"expected at most {_LARGEST} per kWh, got {float(per_kwh):g}")
    return at_s, per_kwh


def _shown(value: object) -> str:
    return str(value)[:40] if isinstance(value, str | bool) else f"a {type(value).__name__}"
