"""The defects of the recorded household data, found by what they look like."""

from collections import deque
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

DAY_ROWS = 1440


def copied_runs(values: Iterable[str], lag: int = DAY_ROWS, at_least: int = 2) -> Iterator[range]:
    """Rows filled with those of `lag` rows earlier: runs of `at_least` rows that equal them in every column.

    A single equal row is chance: a quiet minute at night looks like another.
    """
    earlier: deque[str] = deque(maxlen=lag)
    since = index = 0
    for index, value in enumerate(values):
        if len(earlier) < lag or earlier[0] != value:
            if index - since >= at_least:
                yield range(since, index)
            since = index + 1
        earlier.append(value)
    if index + 1 - since >= at_least:
        yield range(since, index + 1)


def frozen_runs(values: Iterable[str], at_least: int = 20) -> Iterator[range]:
    """Rows of a meter that stood still: runs of `at_least` rows that equal the row before them in every column."""
    return copied_runs(values, lag=1, at_least=at_least)


def utc_of_local(local: datetime, zone: ZoneInfo) -> datetime | None:
    """The UTC instant of a local time without offset; None for one that the clock change left out.

    Of a repeated hour it is the first (fold 0): the data hold that hour once.
    """
    instant = local.replace(tzinfo=zone).astimezone(UTC)
    return instant if instant.astimezone(zone).replace(tzinfo=None) == local else None


def interval_start(stamp: str) -> datetime:
    """The start of the minute that a row's stamp ends."""
    return datetime.fromisoformat(stamp) - timedelta(minutes=1)
