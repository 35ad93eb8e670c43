"""Prices that cover each moment once, shares that add up, references that exist."""

from collections.abc import Callable, Iterator, Sequence
from datetime import date
from typing import get_args

from daemon.config.model import Home
from daemon.config.money import Band, Displaces, Period, Tariff, Weekday
from daemon.config.places import item_label
from daemon.config.wording import close, plain, shown

Add = Callable[..., None]
_DAYS: tuple[str, ...] = get_args(Weekday)
_MINUTES = 1440


def check_money(home: Home, tariffs: Sequence[str], carbon: Sequence[str], add: Add) -> None:
    """Check tariffs, carbon factors and displaced sources. tariffs, carbon: the names the file has;
    add: takes a problem's key, expectation, finding and hint.
    """
    for name, tariff in home.tariffs.items():
        _tariff(f"tariffs.{name}", tariff, add)
    for direction in ("import", "export"):
        names = [name for name, tariff in home.tariffs.items() if tariff.direction == direction]
        if len(names) > 1:
            hint = "a change of supplier is another period of the same tariff"
            add(f"tariffs.{names[1]}.direction", f"one tariff of direction {direction}", f"also {names[0]}", hint)
    for name, factor in home.carbon.items():
        if (factor.kg_per_kwh is None) == (factor.series is None):
            got = "neither" if factor.series is None else "both"
            add(f"carbon.{name}", "either kg_per_kwh or series", got)
    for index, source in enumerate(home.displaces):
        key = f"displaces{item_label([{'source': each.source} for each in home.displaces], index)}"
        _displaced(key, source, home, tariffs, carbon, add)
    _one_basis(home, add)
    if home.displaces and home.share_total != 1:
        add("displaces", "shares that add up to 1", f"a sum of {plain(home.share_total)}")


def _one_basis(home: Home, add: Add) -> None:
    """Average and marginal factors never meet in one total."""
    used = [name for name in dict.fromkeys(["grid", *(s.carbon for s in home.displaces)]) if name in home.carbon]
    for name in used[1:]:
        if home.carbon[name].basis != home.carbon[used[0]].basis:
            expected = f"the basis of [carbon.{used[0]}], {home.carbon[used[0]].basis}"
            hint = "average and marginal factors do not add up"
            add(f"carbon.{name}.basis", expected, home.carbon[name].basis, hint)


def _tariff(key: str, tariff: Tariff, add: Add) -> None:
    if bool(tariff.periods) == (tariff.series is not None):
        add(key, "either periods or series", "neither" if tariff.series is None else "both")
    labels = [{"from": period.from_} for period in tariff.periods]
    ordered = sorted(enumerate(tariff.periods), key=lambda item: item[1].from_)
    for place, (index, period) in enumerate(ordered):
        here = f"{key}.periods{item_label(labels, index)}"
        if period.to is not None and period.to <= period.from_:
            add(
                f"{here}.to",
                f"later than from {period.from_}",
                f"{period.to}",
                "`to` is the first day no longer in force",
            )
        elif place + 1 < len(ordered):
            _overlap(here, period, ordered[place + 1][1].from_, add)
        _bands(here, period.bands, add)


def _overlap(key: str, period: Period, following: date, add: Add) -> None:
    if period.to is None or period.to > following:
        got = "nothing" if period.to is None else f"{period.to}"
        add(f"{key}.to", f"at most {following}, when the next period starts", got, f"write to = {following}")


def _bands(key: str, bands: Sequence[Band], add: Add) -> None:
    """Paint a week of minutes: bands with times first, those without fill what is left of their days."""
    week: list[Band | None] = [None] * (len(_DAYS) * _MINUTES)
    labels = [{"name": band.name} for band in bands]
    for index, band in sorted(enumerate(bands), key=lambda item: item[1].from_ is None):
        here = f"{key}.bands{item_label(labels, index)}"
        if (band.from_ is None) != (band.to is None):
            missing = "from" if band.from_ is None else "to"
            add(f"{here}.{missing}", "both from and to, or neither", "one of them")
            return  # what this band covers is unknown: nothing more can be said of the day
        for minute in _minutes(band, week):
            other = week[minute]
            if other is not None:
                add(here, "bands that do not overlap", f"both {other.name} and {band.name} on {_moment(minute)}")
                return
            week[minute] = band
    if None in week:
        hint = "a band without times is the rest of the day"
        add(f"{key}.bands", "bands that cover every day", f"none on {_moment(week.index(None))}", hint)


def _minutes(band: Band, week: Sequence[Band | None]) -> Iterator[int]:
    """The minutes of the week a band holds in; a band across midnight belongs to the day it starts on."""
    for day in band.days or _DAYS:
        start = _DAYS.index(day) * _MINUTES
        if band.from_ is None or band.to is None:
            for minute in range(start, start + _MINUTES):
                painted = week[minute]
                if painted is None or painted.from_ is None:
                    yield minute
        else:
            first, last = _clock(band.from_), _clock(band.to)
            for minute in range(start + first, start + last + (_MINUTES if last <= first else 0)):
                yield minute % len(week)


def _clock(text: str) -> int:
    return int(text[:2]) * 60 + int(text[3:])


def _moment(minute: int) -> str:
    day, rest = divmod(minute, _MINUTES)
    return f"{_DAYS[day]} {rest // 60:02}:{rest % 60:02}"


def _displaced(
    key: str, source: Displaces, home: Home, tariffs: Sequence[str], carbon: Sequence[str], add: Add
) -> None:
    if (source.tariff is None) == (source.price is None):
        add(key, "either tariff or price", "neither" if source.tariff is None else "both")
    if source.carbon is not None and source.carbon not in carbon:
        add(f"{key}.carbon", "a factor of the table [carbon]", shown(source.carbon), close(source.carbon, carbon))
    if source.tariff is None:
        if source.when is not None:
            add(f"{key}.when", "a tariff beside it, whose band it names", "none")
        return
    if source.tariff not in tariffs:
        add(f"{key}.tariff", "a tariff of the table [tariffs]", shown(source.tariff), close(source.tariff, tariffs))
    tariff = home.tariffs.get(source.tariff)
    if tariff is None:
        return
    if tariff.direction == "export":
        hint = "what is displaced would have been bought"
        add(f"{key}.tariff", "a tariff of direction import or fuel", f"{source.tariff} of direction export", hint)
    bands = sorted({band.name for period in tariff.periods for band in period.bands})
    if source.band is not None and source.band not in bands:
        add(f"{key}.when", f"a band of tariff {source.tariff}", shown(source.when), close(source.band, bands))
    elif bands == [source.band]:
        hint = "without `when` the price of the moment counts"
        add(f"{key}.when", "a band that ends and starts again", f'"{source.band}", the only one, always in force', hint)
