"""The forecast of the sun that a home names, by local day, and how former ones turned out."""

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from math import isfinite
from zoneinfo import ZoneInfo

from accounting.ledger import Ledger
from accounting.ledger.tape import readings_of
from accounting.model.periods import midnight_s
from accounting.pricing.series import read_rows
from daemon.config.model import FORECAST, Home
from daemon.planning.half_hours import day_number, half_hour_before
from daemon.planning.history import History
from rules.model.errors import BrimfulError
from rules.model.formatting import clock
from rules.model.wording import Number, say
from rules.planning.forecast import Expected, expected
from rules.planning.store import HALF_HOUR_S, HALF_HOURS_A_DAY

LEAST_PAIRS = 3
"""So many days have to show what a forecast means for this house before one is used."""
NOON_S = 12 * 3600
MOST_LACKING = 0.05
"""A forecast may leave out half hours that together brought no more of the latest days' surplus than this: days differ
by far more. Common practice, no source."""
LATEST_DAYS = 10
"""So many days with sun show in which half hours there is some: few, since in spring and autumn days grow longer or
shorter by nearly half an hour a week (at 51.5° N, from Cooper's formula for the sun's declination)."""


@dataclass(frozen=True, slots=True)
class Forecasts:
    """name: of the source (None: the home names none, or what it says is not used); expected: by day number;
    said_wh: the figure for tomorrow; sentences: on what it says, or why it is not used."""

    name: str | None
    expected: Mapping[int, Expected]
    said_wh: float | None
    sentences: tuple[str, ...]


NO_FORECAST = Forecasts(None, {}, None, ())


def read_forecasts(home: Home, ledger: Ledger, history: History, at_s: float) -> Forecasts:
    """What the forecast says of today and tomorrow, in this home's measure. What cannot be used is refused in words.

    Raises LedgerError.
    """
    wanted = home.plan.forecast
    if wanted is None:
        return NO_FORECAST
    zone = ZoneInfo(home.home.timezone)
    name = wanted.signal or wanted.series or FORECAST
    today = day_number(at_s, zone)
    partly: Mapping[int, Lack] = {}
    came = _came(history, zone, today)
    days = sorted({day_number(each.start_s, zone) for each in history.half_hours} | {today, today + 1})
    try:
        if wanted.signal is not None:
            said = _by_signal(ledger, wanted.signal, days, zone, at_s)
        else:
            file = home.path_of(wanted.series) if wanted.series is not None else home.live_file(FORECAST)
            rows = [(start_s, None if kwh is None else float(kwh) * 1000) for start_s, kwh in read_rows(file)]
            said, partly = _by_rows(rows, days, zone, _shares(history, zone, came))
    except BrimfulError as unread:
        return Forecasts(
            None, {}, None, (say("The forecast {name} is not used: {cause}.", name=name, cause=unread.cause),)
        )
    record = [(said[day], wh) for day, wh in sorted(came.items()) if day in said]
    if today + 1 in partly:
        lack = partly[today + 1]
        sunniest = clock(lack.sunniest_s, home.home.timezone, at_s)
        sentence = say(
            "The forecast {name} leaves out half hours of tomorrow that brought {share} % of the latest "
            "days' surplus, the sunniest at {sunniest}. It is not used.",
            name=name,
            share=Number(f"{lack.share * 100:.0f}"),
            sunniest=sunniest,
        )
        return Forecasts(None, {}, None, (sentence,))
    if today + 1 not in said:
        latest = max((day for day in said if day <= today), default=None)
        when = (
            say("none was ever heard")
            if latest is None
            else say("the latest is of {latest}", latest=date.fromordinal(latest))
        )
        return Forecasts(
            None,
            {},
            None,
            (
                say(
                    "The forecast {name} says nothing of tomorrow: {when}. It is not used.",
                    name=name,
                    when=when,
                ),
            ),
        )
    wh = said[today + 1]
    if len(record) < LEAST_PAIRS and isfinite(wh) and wh >= 0:
        sentence = say(
            "The forecast {name} is not used yet: {record} past days show what it means for this house, and "
            "{least_pairs} are needed.",
            name=name,
            record=len(record),
            least_pairs=LEAST_PAIRS,
        )
        return Forecasts(None, {}, wh, (sentence,))
    found: dict[int, Expected] = {}
    for day in (today, today + 1):
        if day in said:
            usable = expected(said[day], record)
            if isinstance(usable, str):
                return Forecasts(
                    None, {}, wh, (say("The forecast {name} is not used: {usable}.", name=name, usable=usable),)
                )
            found[day] = usable
    sentence = say(
        "The forecast {name} gives {wh} kWh for tomorrow; by the {record} days on which it can be "
        "compared that makes {surplus} kWh of surplus.",
        name=name,
        wh=Number(f"{wh / 1000:.1f}"),
        record=len(record),
        surplus=Number(f"{found[today + 1].surplus_wh / 1000:.1f}"),
    )
    return Forecasts(name, found, wh, (sentence,))


@dataclass(frozen=True, slots=True)
class Lack:
    """What rows leave out of a day. sunniest_s: UTC second of the half hour that is lacking in which the latest days
    brought most surplus; share: of their surplus that came in all that are lacking, 0 to 1."""

    sunniest_s: int
    share: float


def _came(history: History, zone: ZoneInfo, today: int) -> dict[int, float]:
    """The surplus of each whole past day, Wh."""
    found: dict[int, list[float | None]] = {}
    for each in history.half_hours:
        found.setdefault(day_number(each.start_s, zone), []).append(each.surplus_wh)
    return {
        day: sum(wh or 0.0 for wh in values)
        for day, values in found.items()
        if day < today and len(values) >= 46 and sum(wh is None for wh in values) <= 6
    }


def _by_signal(ledger: Ledger, signal: str, days: Sequence[int], zone: ZoneInfo, at_s: float) -> dict[int, float]:
    """By day, the latest reading from noon of the day before until the day begins; else its first before noon."""
    edges = {day: midnight_s(date.fromordinal(day), zone) for day in days}
    from_s = min(edges.values()) - NOON_S
    readings = readings_of(ledger.tape(from_s, at_s + 1), [signal], from_s, at_s + 1)[signal]
    times = [end_s for end_s, _ in readings]
    found = {}
    for day, start_s in edges.items():
        first, begin, noon = (bisect_left(times, start_s + offset_s) for offset_s in (-NOON_S, 1, NOON_S))
        if first < begin:
            found[day] = readings[begin - 1][1]
        elif begin < noon:
            found[day] = readings[begin][1]
    return found


def _shares(history: History, zone: ZoneInfo, came: Mapping[int, float]) -> dict[int, float]:
    """By the half hour of the UTC day, 0–47, the share of the surplus of the latest days with sun that came in it; by
    UTC, so that a change of the clock moves no sun. 0 in all of them where there is no such day.

    came: the surplus of each whole past day, Wh.
    """
    latest = set(sorted(day for day, wh in came.items() if wh > 0.0)[-LATEST_DAYS:])
    found = dict.fromkeys(range(HALF_HOURS_A_DAY), 0.0)
    for each in history.half_hours:
        if day_number(each.start_s, zone) in latest:
            found[_of_utc_day(each.start_s)] += each.surplus_wh or 0.0
    total_wh = sum(found.values()) or 1.0
    return {half_hour: wh / total_wh for half_hour, wh in found.items()}


def _of_utc_day(start_s: int) -> int:
    return start_s // HALF_HOUR_S % HALF_HOURS_A_DAY


def _by_rows(
    rows: Sequence[tuple[int, float | None]], days: Sequence[int], zone: ZoneInfo, shares: Mapping[int, float]
) -> tuple[dict[int, float], dict[int, Lack]]:
    """By day, the sum of the rows in it, each spread evenly until the next; a day without any row is left out.

    shares: of the surplus, by the half hour of the UTC day. A day whose rows lack half hours with more than
    MOST_LACKING of it is no whole day: it is in the second answer instead. The last row lasts as long as the one before
    it.
    """
    found: dict[int, float] = {}
    known_s: dict[int, float] = defaultdict(float)
    last_s = 2 * rows[-1][0] - rows[-2][0] if len(rows) > 1 else 0
    ends = [start_s for start_s, _ in rows[1:]] + [last_s]
    edges = [(day, *(midnight_s(date.fromordinal(day + more), zone) for more in (0, 1))) for day in days]
    starts = [from_s for _, from_s, _ in edges]
    for (start_s, wh), end_s in zip(rows, ends, strict=False):
        if wh is None or end_s <= start_s:
            continue
        place = max(bisect_left(starts, start_s + 1) - 1, 0)
        for day, from_s, to_s in edges[place:]:
            if from_s >= end_s:
                break
            begun_s, ended_s = max(start_s, from_s), min(end_s, to_s)
            if ended_s > begun_s:
                found[day] = found.get(day, 0.0) + wh * (ended_s - begun_s) / (end_s - start_s)
                for half_s in range(half_hour_before(begun_s), ended_s, HALF_HOUR_S):
                    known_s[half_s] += min(ended_s, half_s + HALF_HOUR_S) - max(begun_s, half_s)
    partly = {}
    for day, from_s, to_s in edges:
        half_hours = range(half_hour_before(from_s), to_s, HALF_HOUR_S)
        lacking = {half_s: shares[_of_utc_day(half_s)] for half_s in half_hours if known_s[half_s] < HALF_HOUR_S}
        share = sum(lacking.values())
        if day in found and share > MOST_LACKING:
            del found[day]
            partly[day] = Lack(max(lacking, key=lacking.__getitem__), share)
    return found, partly
