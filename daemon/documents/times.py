"""Instants as people write them and programs exchange them, and the names of periods."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from accounting.model.periods import By
from rules.model.errors import BrimfulError

_EARLIEST_YEAR, _LATEST_YEAR = 1971, 2200


def iso(utc_s: float) -> str:
    """A UTC second as people and programs exchange it."""
    return datetime.fromtimestamp(utc_s, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def instant(text: str, zone: ZoneInfo) -> int:
    """A local date (its first instant), or a date-time with or without offset (without: local), as UTC seconds."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise BrimfulError(
            "read a time", "time", f"expected a date like 2026-06-01 or a time like 2026-06-01T12:00Z, got {text!r}"
        ) from None
    if not _EARLIEST_YEAR <= moment.year <= _LATEST_YEAR:
        raise BrimfulError("read a time", "time", f"expected a year {_EARLIEST_YEAR} to {_LATEST_YEAR}, got {text!r}")
    return int((moment if moment.tzinfo is not None else moment.replace(tzinfo=zone)).timestamp())


def period(start_s: int, by: By | None, zone: ZoneInfo) -> str:
    """A period's name, by its start."""
    start = datetime.fromtimestamp(start_s, zone)
    if by is None or by == "interval":
        return start.strftime("%Y-%m-%d %H:%M %z")
    if by == "week":
        return start.strftime("%G week %V")
    return start.strftime({"day": "%Y-%m-%d", "month": "%Y-%m", "year": "%Y"}[by])
