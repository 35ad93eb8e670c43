"""Figures as the page sets them: signs, units, times, ages, and the names of signals and rules in words."""

from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from daemon.web.page.views.signal_names import NAMES
from rules.model.formatting import MONTHS, duration
from rules.model.signals import find
from rules.model.wording import Day, Number, joined, say

_DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
PER_KWH = "per kWh"
_UNIT_PLACES = {"W": 0, "Wh": 0, "%": 1, "°C": 1, "L": 0, PER_KWH: 4, "kg/kWh": 3}


def fixed(value: float | None, places: int = 2, *, sign: bool = False) -> Number:
    """A figure with just so many decimals, digits grouped, a true minus; sign: a plus before what is more than nothing.

    None, where nothing is known, is a dash.
    """
    if value is None:
        return Number("–")
    text = f"{value:+,.{places}f}" if sign else f"{value:,.{places}f}"
    if not any(digit in text for digit in "123456789"):
        text = text.lstrip("+-")  # nothing has no sign
    return Number(text.replace("-", "−"))


def share(value: float | None) -> Number:
    """A share of 0 to 1 in per cent, a tenth at most and never rounded up: 100 % says that nothing is missing."""
    return Number("–" if value is None else f"{int(value * 1000 + 1e-9) / 10:g} %")


def signal_value(name: str, value: float, heaters: Iterable[str] = ()) -> str:
    """A reading with its unit."""
    known = find(name, heaters)
    unit = known[0].unit if known is not None else ""
    places = _UNIT_PLACES.get(unit, 2)
    text = fixed(value, places)
    if unit == PER_KWH:
        return say("{amount} per kWh", amount=text)
    return Number(f"{text.removesuffix('.0') if places == 1 else text} {unit}".strip())


def signal_words(name: str, heaters: Iterable[str] = ()) -> str:
    """A signal's name in words, its unit left out: "tank_level_pct" is "tank level"."""
    known = find(name, heaters)
    if known is None or known[0].name not in NAMES:
        return name.replace("_", " ")
    words = NAMES[known[0].name]
    return words if known[1] is None else joined((words, known[1]))


def instant(text: str) -> datetime:
    """An ISO 8601 time as answers carry it."""
    return datetime.fromisoformat(text)


def when(at: datetime, zone: ZoneInfo, now: datetime) -> str:
    """A time as the home's clock shows it, with the day where it is not today's: "14:43", "Tue 9 June, 14:43"."""
    local, today = at.astimezone(zone), now.astimezone(zone).date()
    clock = f"{local:%H:%M}"
    if local.date() == today:
        return clock
    if local.date() == today - timedelta(days=1):
        return say("yesterday, {time}", time=clock)
    return joined((weekday_words(local.date(), today), clock))


def day_words(day: date, today: date) -> Day:
    """A day as people write it, the year where it is another: "9 Jun", "9 Jun 2025"."""
    short = f"{day.day} {MONTHS[day.month - 1]}"
    return Day(short, day, "MMMd") if day.year == today.year else Day(f"{short} {day.year}", day, "yMMMd")


def weekday_words(day: date, today: date) -> Day:
    """The same with the day of the week: "Tue 9 Jun"."""
    words = day_words(day, today)
    return Day(f"{_DAYS[day.weekday()][:3]} {words}", day, f"{words.form.removesuffix('d')}Ed")


def full_date(at: datetime, zone: ZoneInfo) -> str:
    """ "Wednesday 10 June 2026, 14:52"."""
    local = at.astimezone(zone)
    return joined((long_date(local.date()), f"{local:%H:%M}"))


def long_date(day: date) -> Day:
    """ "Wednesday 10 June 2026"."""
    return Day(f"{_DAYS[day.weekday()]} {day.day} {day:%B} {day.year}", day, "full")


def period(start: str, by: str, year: int) -> str:
    """A period by its first instant, local ISO 8601: "Wed 10 Jun", "week 24", "June 2026", "2026".

    year: the reader's; another one is named with the day or week.
    """
    local = datetime.fromisoformat(start)
    match by:
        case "week":
            of_year, week, _ = local.isocalendar()
            if of_year == year:
                return say("week {week}", week=week)
            return say("week {week}, {year}", week=week, year=of_year)
        case "month":
            return Day(f"{local:%B} {local.year}", local.date(), "yMMMM")
        case "year":
            return f"{local.year}"
    return weekday_words(local.date(), date(year, 1, 1))


def age(seconds: float | None) -> str:
    """How long ago, in words."""
    return say("not heard since the start") if seconds is None else duration(seconds)


def minutes(seconds: float) -> Number:
    """A long time in hours and minutes: 45 300 s is "12 h 35 min"."""
    whole = round(seconds / 60)
    hours, rest = divmod(whole, 60)
    return Number(f"{hours:,} h {rest:02} min" if hours else f"{rest} min")


def utc(at_s: float) -> datetime:
    """A UTC second as a time."""
    return datetime.fromtimestamp(at_s, UTC)
