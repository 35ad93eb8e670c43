"""Figures as people read them: power, level, temperature, money, clock times in the home's zone, durations."""

import math
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def _figure(value: float, digits: int) -> str:
    """Rounded to at most `digits` decimals, without trailing zeros, with a true minus sign and without minus zero."""
    if not math.isfinite(value):
        return "no number"
    text = f"{value:,.{digits}f}"
    if digits:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in ("-0", "0") else text.replace("-", "−")


def watts(power_w: float) -> str:
    """1240.4 → "1,240 W"."""
    return f"{_figure(power_w, 0)} W"


def energy(energy_wh: float) -> str:
    """15734 → "15.7 kWh"."""
    return f"{_figure(energy_wh / 1000.0, 1)} kWh"


def percent(share_pct: float) -> str:
    """94.96 → "94.9 %": at most one decimal, never rounded up, so that a tank does not read as full before it is."""
    if math.isfinite(share_pct):
        share_pct = math.floor(share_pct * 10 + 1e-6) / 10
    return f"{_figure(share_pct, 1)} %"


def degrees(temp_c: float) -> str:
    """60.52 → "60.5 °C"."""
    return f"{_figure(temp_c, 1)} °C"


def money(amount: float, currency: str) -> str:
    """Price per kWh, with four decimals: 0.055 → "0.0550 EUR per kWh"."""
    figure = f"{round(amount, 4) + 0.0:,.4f}".replace("-", "−")  # −0 + 0 is 0
    return f"{figure} {currency} per kWh" if currency else f"{figure} per kWh"


def counted(many: int, thing: str) -> str:
    """How many of a thing: 1 interval, 1,200 intervals."""
    return f"{many:,} {thing}{'' if many == 1 else 's'}"


def duration(seconds: float) -> str:
    """45 → "45 s", 240 → "4 min", 3900 → "1 h 5 min", 180000 → "2 days 2 h"; rounded to the last unit shown."""
    if not math.isfinite(seconds):
        return "for ever"
    whole_s = round(max(seconds, 0.0))
    if whole_s < 100:
        return f"{whole_s} s"
    minutes = round(whole_s / 60)
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 24:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(round(whole_s / 3600), 24)
    named = f"{days} day" if days == 1 else f"{days} days"
    return f"{named} {hours} h" if hours else named


def clock(utc_s: float, timezone: str, now_utc_s: float) -> str:
    """A UTC second as the home's clock shows it: "13:10"; with the day if it is not today.

    timezone: IANA name. now_utc_s: the present UTC second, which decides what "today" is.
    """
    zone = ZoneInfo(timezone)
    try:
        local = datetime.fromtimestamp(utc_s, UTC).astimezone(zone)
        today = datetime.fromtimestamp(now_utc_s, UTC).astimezone(zone).date()
    except (OverflowError, ValueError, OSError):
        return "a time beyond the calendar"
    time = f"{local.hour:02}:{local.minute:02}"
    day = local.date()
    if day == today:
        return time
    if day == today - timedelta(days=1):
        return f"{time} yesterday"
    if day == today + timedelta(days=1):
        return f"{time} tomorrow"
    dated = f"{time} on {_DAYS[day.weekday()]} {day.day} {MONTHS[day.month - 1]}"
    return dated if day.year == today.year else f"{dated} {day.year}"


def rounded_percent(share: float, decimals: int = 0, *, sign: bool = False) -> str:
    """0.982 → "98 %"; sign: 0.982 → "+98 %"."""
    return f"{share:{'+' if sign else ''}.{decimals}%}".replace("%", " %")
