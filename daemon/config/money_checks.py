"""Prices that cover each moment once, shares that add up, references that exist."""

from collections.abc import Callable, Sequence
from datetime import date
from decimal import Decimal

from accounting.model.displaced_shares import is_divisible
from accounting.model.journal import BOILER
from accounting.pricing.bands import HOLIDAY, Day, days_that_differ, rests, stretches
from accounting.pricing.displaced import uneven
from accounting.valuation.historical_shares import stands_for
from daemon.config.build_money import band, share_band
from daemon.config.devices import Boiler
from daemon.config.model import Home
from daemon.config.money import NOTHING, Band, Carbon, Displaces, HouseBattery, Marginal, Period, Tariff
from daemon.config.places import item_label
from daemon.config.values import Table
from daemon.config.wording import close, plain, shown
from rules.model import formatting as words
from rules.model.signals import TEMPERATURES

Add = Callable[..., None]
_NO_CALENDAR = ("home.calendar_file beside it", "none", "it is an .ics file of the public holidays")


def check_money(home: Home, tariffs: Sequence[str], carbon: Sequence[str], add: Add) -> None:
    """Check tariffs, carbon factors and displaced sources. tariffs, carbon: the names the file has;
    add: takes a problem's key, expectation, finding and hint.
    """
    for name, tariff in home.tariffs.items():
        _tariff(f"tariffs.{name}", tariff, home, add)
    for direction in ("import", "export"):
        names = [name for name, tariff in home.tariffs.items() if tariff.direction == direction]
        if len(names) > 1:
            hint = "a change of supplier is another period of the same tariff"
            add(f"tariffs.{names[1]}.direction", f"one tariff of direction {direction}", f"also {names[0]}", hint)
    for name, factor in home.carbon.items():
        _carbon(f"carbon.{name}", factor, home, add)
        if factor.marginal is not None:
            _carbon(f"carbon.{name}.marginal", factor.marginal, home, add)
            if factor.basis != "average":
                add(f"carbon.{name}.marginal", 'basis = "average" beside it', f"basis {factor.basis}")
    for index, source in enumerate(home.displaces):
        key = f"displaces{item_label([{'source': each.source} for each in home.displaces], index)}"
        _displaced(key, source, home, tariffs, carbon, add)
    _one_basis(home, add)
    _shares(home, add)
    if home.books.displaces_from == "past":
        _past(home, add)


def check_tax(key: str, table: Displaces | Boiler | HouseBattery, add: Add) -> None:
    """A price of its own without tax needs the tax beside it; a tariff has tax settings of its own."""
    if table.price is None:
        if not table.tax_included or table.tax_pct is not None:
            add(f"{key}.tax_pct", "a price beside it", "none", "a tariff has tax settings of its own")
    elif not table.tax_included and table.tax_pct is None:
        add(f"{key}.tax_pct", "the tax that is still to be added, %", "nothing")


def _carbon(key: str, factor: Carbon | Marginal, home: Home, add: Add) -> None:
    _one_of(key, factor, [name for name in ("kg_per_kwh", "series", "signal", "live") if hasattr(factor, name)], add)
    if isinstance(factor, Carbon) and factor.signal is not None:
        _heard(f"{key}.signal", factor.signal, home, add)


def _one_of(key: str, table: Table, names: Sequence[str], add: Add) -> None:
    given = [name for name in names if getattr(table, name) not in (None, ())]
    if len(given) != 1:
        add(key, f"one of {', '.join(names)}", " and ".join(given) or "none of them")


def _heard(key: str, signal: str, home: Home, add: Add) -> None:
    if signal not in home.signals:
        add(key, f"a signal of the table [signals.{signal}]", "no such table")


def _shares(home: Home, add: Add) -> None:
    """At every moment of every kind of day the shares add up to 1."""
    holidays = home.home.calendar_file is not None
    for index, source in enumerate(home.displaces):
        key = f"displaces{item_label([{'source': each.source} for each in home.displaces], index)}.only"
        if source.only is not None and (source.only.from_ is None) != (source.only.to is None):
            missing = "from" if source.only.from_ is None else "to"
            add(f"{key}.{missing}", "both from and to, or neither", "one of them")
            return
        if source.only is not None and HOLIDAY in source.only.days and not holidays:
            add(f"{key}.days", *_NO_CALENDAR)
            return
    if not home.displaces:
        return
    found = uneven([share_band(source) for source in home.displaces], holidays)
    if found is not None:
        summed, day, at_s = found
        got = f"a sum of {plain(Decimal(summed.numerator) / summed.denominator)}"
        if any(source.only is not None for source in home.displaces):
            got += f" on {_moment(day, at_s, any(source.only and source.only.months for source in home.displaces))}"
        add("displaces", "shares that add up to 1", got)


def _past(home: Home, add: Add) -> None:
    """Shares by the home's own past need books of what its heat came from, and sources that part it."""
    labels = [{"source": each.source} for each in home.displaces]
    named: dict[str, int] = {}
    levels = {"tank_level_pct", *TEMPERATURES} & set(home.signals)
    if home.tank is None or not levels:
        got = "no [tank] table" if home.tank is None else "none"
        add("books.displaces_from", "a [tank] table and a signal of its level or temperature beside it", got)
    for index, source in enumerate(home.displaces):
        key = f"displaces{item_label(labels, index)}"
        if source.only is not None:
            add(f"{key}.only", "no times of its own", "some", "by the home's past every month has shares of its own")
        if source.recorded is None:
            continue
        here = f"{key}.recorded"
        if source.is_nothing:
            add(here, f'no record beside source = "{NOTHING}"', shown(source.recorded))
        for other, place in named.items():
            if stands_for(source.recorded, other) or stands_for(other, source.recorded):
                add(here, f"what displaces{item_label(labels, place)} does not stand for", shown(source.recorded))
        named[source.recorded] = index
        _check_recorded(here, source.recorded, home, add)
    if len(named) < 2:
        got = "one" if named else "none"
        hint = 'recorded = "boiler" and "grid", say: one alone always has the same share'
        add("books.displaces_from", "at least two displaced sources with `recorded`", got, hint)


def _check_recorded(key: str, recorded: str, home: Home, add: Add) -> None:
    if recorded == BOILER:
        if "boiler_wh" not in home.signals or home.tank is None or home.tank.boiler is None:
            add(key, "a [tank.boiler] table and a signal boiler_wh for it", "none")
        return
    if "topup_wh" not in home.signals and not home.attributes:
        add(key, "a signal topup_wh, or books.attribute, to show what the grid gave", "neither")
    _, _, band = recorded.partition(":")
    tariffs = [tariff for tariff in home.tariffs.values() if tariff.direction == "import"]
    bands = sorted({each.name for tariff in tariffs for period in tariff.periods for each in period.bands})
    if band and band not in bands:
        add(key, "a band of the import tariff", shown(recorded), close(band, bands))


def _one_basis(home: Home, add: Add) -> None:
    """Average and marginal factors never meet in one total."""
    named = dict.fromkeys(["grid", *(source.carbon for source in home.displaces)])
    used = [name for name in named if name in home.carbon and home.carbon[name].basis != "both"]
    for name in used[1:]:
        if home.carbon[name].basis != home.carbon[used[0]].basis:
            expected = f"the basis of [carbon.{used[0]}], {home.carbon[used[0]].basis}"
            hint = "average and marginal factors do not add up"
            add(f"carbon.{name}.basis", expected, home.carbon[name].basis, hint)


def _tariff(key: str, tariff: Tariff, home: Home, add: Add) -> None:
    _one_of(key, tariff, ("periods", "series", "signal", "live"), add)
    if tariff.signal is not None:
        direction = tariff.signal.removesuffix("_price")
        if tariff.direction != direction:
            add(f"{key}.direction", f"{direction}, whose price {tariff.signal} is", tariff.direction)
        _heard(f"{key}.signal", tariff.signal, home, add)
    if not tariff.periods and tariff.untaxed() and tariff.tax_pct is None:
        add(f"{key}.tax_pct", "the tax that is still to be added, %", "nothing")
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
        _period(here, tariff, period, home.home.calendar_file is not None, add)


def _overlap(key: str, period: Period, following: date, add: Add) -> None:
    if period.to is None or period.to > following:
        got = "nothing" if period.to is None else f"{period.to}"
        add(f"{key}.to", f"at most {following}, when the next period starts", got, f"write to = {following}")


def _period(key: str, tariff: Tariff, period: Period, holidays: bool, add: Add) -> None:
    if tariff.untaxed(period) and tariff.tax_of(period) is None:
        add(f"{key}.tax_pct", "the tax that is still to be added, %", "nothing")
    if period.deemed_share is not None and tariff.direction != "export":
        add(f"{key}.deemed_share", "a tariff of direction export beside it", f"direction {tariff.direction}")
    if bool(period.bands) == bool(period.blocks):
        add(key, "either bands or blocks", "both" if period.bands else "neither")
    elif period.bands:
        if period.assume_kwh_per_month is not None:
            add(f"{key}.assume_kwh_per_month", "blocks beside it", "none")
        _bands(key, period.bands, holidays, add)
    else:
        _blocks(key, tariff, period, add)


def _blocks(key: str, tariff: Tariff, period: Period, add: Add) -> None:
    if tariff.direction == "export":
        add(f"{key}.blocks", "bands, in a tariff of direction export", "blocks")
    if period.assume_kwh_per_month is None:
        hint = "the block that a month ends in prices a kWh that need not be bought"
        add(f"{key}.assume_kwh_per_month", "what a month takes in all, kWh", "nothing", hint)
    *inner, last = period.blocks
    if last.up_to_kwh is not None:
        got = f"one up to {plain(last.up_to_kwh)} kWh"
        add(f"{key}.blocks", "a last block without up_to_kwh", got, "what a month takes beyond it needs a price")
    before = Decimal(0)
    for number, block in enumerate(inner, 1):
        if block.up_to_kwh is None or block.up_to_kwh <= before:
            got = "nothing" if block.up_to_kwh is None else plain(block.up_to_kwh)
            add(f"{key}.blocks[#{number}].up_to_kwh", f"more than {plain(before)} kWh", got)
            return
        before = block.up_to_kwh


def _bands(key: str, bands: Sequence[Band], holidays: bool, add: Add) -> None:
    """Every kind of day there is: bands with times first, those without fill what is left of their days."""
    labels = [{"name": each.name} for each in bands]
    for index, each in enumerate(bands):
        if (each.from_ is None) != (each.to is None):
            missing = "from" if each.from_ is None else "to"
            add(f"{key}.bands{item_label(labels, index)}.{missing}", "both from and to, or neither", "one of them")
            return  # what this band covers is unknown: nothing more can be said of the day
        if HOLIDAY in each.days and not holidays:
            add(f"{key}.bands{item_label(labels, index)}.days", *_NO_CALENDAR)
            return
    made = [band(each) for each in bands]
    for today, yesterday in days_that_differ(made, holidays):
        for start_s, _, claimed in stretches(made, today, yesterday):
            held = claimed or rests(made, today)
            if len(held) == 1:
                continue
            moment = _moment(today, start_s, any(each.months for each in bands))
            if not held:
                hint = "a band without times is the rest of the day"
                if today.kind == HOLIDAY:
                    hint = 'on a public holiday only bands whose days hold "holiday", or bands without days, count'
                add(f"{key}.bands", "bands that cover every day", f"none on {moment}", hint)
            else:
                here = f"{key}.bands{item_label(labels, _place(made, held[1]))}"
                add(here, "bands that do not overlap", f"both {held[0].name} and {held[1].name} on {moment}")
            return


def _place(bands: Sequence[object], wanted: object) -> int:
    return next(index for index, each in reversed([*enumerate(bands)]) if each == wanted)


def _moment(day: Day, at_s: int, monthly: bool) -> str:
    return f"{day.kind} {at_s // 3600:02}:{at_s // 60 % 60:02}" + (f" in {month_name(day.month)}" if monthly else "")


def month_name(month: int) -> str:
    """A month, 1 to 12, for people."""
    return words.MONTHS[month - 1]


def _displaced(
    key: str, source: Displaces, home: Home, tariffs: Sequence[str], carbon: Sequence[str], add: Add
) -> None:
    if is_divisible(source.source):
        hint = "the ledger would read two sources in it; write the number as a word, or leave out the comma"
        add(f"{key}.source", "a name without a comma, a space and a number in it", shown(source.source), hint)
    if source.is_nothing:
        for name in ("tariff", "price", "carbon"):
            if getattr(source, name) is not None:
                hint = "heat that nothing else would have made avoids nothing"
                add(f"{key}.{name}", f'no {name} beside source = "{NOTHING}"', "one", hint)
    elif (source.tariff is None) == (source.price is None):
        add(key, "either tariff or price", "neither" if source.tariff is None else "both")
    check_tax(key, source, add)
    if source.gives_up_standing and source.tariff is None:
        add(f"{key}.gives_up_standing", "a tariff beside it, whose standing charge would end", "none")
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
    bands = sorted({each.name for period in tariff.periods for each in period.bands})
    if source.band is not None and source.band not in bands:
        add(f"{key}.when", f"a band of tariff {source.tariff}", shown(source.when), close(source.band, bands))
    elif bands == [source.band]:
        hint = "without `when` the price of the moment counts"
        add(f"{key}.when", "a band that ends and starts again", f'"{source.band}", the only one, always in force', hint)
