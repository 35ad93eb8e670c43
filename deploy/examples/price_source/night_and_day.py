"""A price source for brimful: two prices by the clock, for who wants to see how a plug-in is written.

Options: `night`, `day` (money per kWh), `timezone` (IANA name). Night is from 23:00 to 07:00.

    [tariffs.buy]
    direction = "import"

    [tariffs.buy.live]
    kind = "plugin"
    source = "night_and_day"
    minutes = 60
    options = { night = 0.11, day = 0.29, timezone = "Europe/Dublin" }

A real one would ask a supplier here. It runs on a thread of its own and may take its time; what it raises is said by
brimful as this source's fault, and the rows it gave before still count.
"""

from collections.abc import Iterator, Mapping
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo


def rows(day: date, options: Mapping[str, Any]) -> Iterator[tuple[datetime, Decimal]]:
    """A row for each hour of `day` and of the next: when it begins, and the price from then on."""
    zone = ZoneInfo(options["timezone"])
    begin = datetime.combine(day, time(), zone).astimezone(UTC)
    end = datetime.combine(day + timedelta(days=2), time(), zone).astimezone(UTC)
    while begin < end:
        is_night = begin.astimezone(zone).hour >= 23 or begin.astimezone(zone).hour < 7
        yield begin, Decimal(options["night"] if is_night else options["day"])
        begin += timedelta(hours=1)
