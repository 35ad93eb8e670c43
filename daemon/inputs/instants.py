"""A payload's own time: an instant, or its age."""

import re
from datetime import datetime

FAR_S = 86_400.0
"""A reading dated further from now than this is refused: its clock was never set, or it is of another day."""
LONG_AGO = "its time is more than a day ago"
FAR_AHEAD = "its time is more than a day ahead of this machine's clock"

NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_LONGEST = 64
# A clock that was never set shows 1970. Instants outside 2001–2286 are nobody's present.
_EARLIEST_S, _LATEST_S = 1e9, 1e10
_AMOUNT = r"([0-9]{1,9}(?:[.,][0-9]{1,9})?)"
_AGE = re.compile(rf"P(?:{_AMOUNT}W)?(?:{_AMOUNT}D)?(?:T(?:{_AMOUNT}H)?(?:{_AMOUNT}M)?(?:{_AMOUNT}S)?)?")
_PARTS_S = (604_800, 86_400, 3600, 60, 1)


def instant(value: object) -> float:
    """UTC seconds of a payload's own time: ISO 8601 with offset or Z, or seconds or milliseconds since 1970.

    Raises ValueError, with the reason, for anything else; a time without offset is anybody's guess and refused.
    """
    if isinstance(value, str):
        text = value.strip()
        if len(text) > _LONGEST:
            raise ValueError("its time is not one")
        if not NUMBER.fullmatch(text):
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


def age(value: object) -> float | None:
    """Seconds of an age given as an ISO 8601 duration ("PT12.5S", "P1DT2H"); None for what is no duration.

    Years and months are no exact time and not taken. Raises ValueError, with the reason, beyond FAR_S.
    """
    if not isinstance(value, str) or value[:1] != "P" or len(value) > _LONGEST:
        return None
    found = _AGE.fullmatch(value.strip())
    if found is None or not any(found.groups()):
        return None
    seconds = sum(
        float(amount.replace(",", ".")) * part_s
        for amount, part_s in zip(found.groups(), _PARTS_S, strict=True)
        if amount is not None
    )
    if seconds > FAR_S:
        raise ValueError(LONG_AGO)
    return seconds


def out_of_reach(at_s: float, now_s: float) -> str:
    """Why a payload's own time (UTC seconds) lies too far from now to be its reading's, or ""."""
    if at_s < now_s - FAR_S:
        return LONG_AGO
    return FAR_AHEAD if at_s > now_s + FAR_S else ""


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
