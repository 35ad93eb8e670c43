"""Half hours of the UTC clock, by the local day and clock that they stand on."""

from datetime import datetime
from zoneinfo import ZoneInfo

from rules.planning.policy import HalfHour
from rules.planning.store import HALF_HOUR_S


def half_hour_before(utc_s: float) -> int:
    """UTC second of the start of the half hour that utc_s lies in."""
    return int(utc_s // HALF_HOUR_S) * HALF_HOUR_S


def placed(start_s: int, zone: ZoneInfo, import_price: float, export_price: float) -> HalfHour:
    """The half hour from start_s as the planner counts it. Of an hour that the clock repeats, both have one place."""
    local = datetime.fromtimestamp(start_s, zone)
    day = local.date()
    slot = local.hour * 2 + local.minute // 30
    return HalfHour(day.toordinal(), day.weekday(), slot, import_price, export_price)


def day_number(utc_s: float, zone: ZoneInfo) -> int:
    """The local day of an instant, as the planner counts days."""
    return datetime.fromtimestamp(utc_s, zone).date().toordinal()
