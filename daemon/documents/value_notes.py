"""What the figures of `value` rest on and leave out, in sentences for people: the same on every surface."""

from collections.abc import Iterable, Sequence
from datetime import date
from decimal import Decimal
from fractions import Fraction

from accounting.model.displaced_shares import shares_of
from daemon.config.cautions import battery_unheard, estimates
from daemon.config.model import Home
from daemon.config.money import Displaces, Only
from daemon.documents.displaced_months import as_notes
from daemon.documents.valuing import Valued
from daemon.documents.watched_document import watched_sentences
from rules.model import formatting as words
from rules.model.wording import Day, Number, Sentence, joined, listed, say, with_and

_MOST_NAMED = 3
_DAYS: dict[str, str] = {
    name.lower()[:3]: Day(name, date(2024, 1, 1 + place), "cccc")  # 1 January 2024 was a Monday
    for place, name in enumerate(("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"))
}
_DAYS["holiday"] = say("public holiday")


def notes(valued: Valued, home: Home) -> list[str]:
    """All of them, without full stops at the end where they are the home file's own cautions."""
    total, currency = valued.report.total, home.home.currency
    said = [*watched_sentences(valued.watched), *estimates(home), *as_notes(valued.months)]
    if not valued.report.rows:
        return said
    if total.unpriced_wh:
        said.append(
            say(
                "{unpriced} had a known price on one side at most: no money is counted for it, neither given up "
                "nor avoided.",
                unpriced=_kwh(total.unpriced_wh),
            )
        )
    said += _used(valued)
    said += _battery(valued, home)
    if valued.heat_order_wh is not None:
        said += _unsplit(valued.heat_order_wh, total.diverted_wh, home)
    for source, amount in valued.standing:
        said.append(
            say(
                "If {source} was never needed again, its standing charge, {amount} for this time, would end too; it is "
                "not in net.",
                source=source,
                amount=Number(f"{float(amount):.2f} {currency}"),
            )
        )
    return said


def _used(valued: Valued) -> list[str]:
    used = valued.used
    said = []
    if used.basis == "measured":
        said.append(say("The share used is measured in the heat stock, month by month."))
    if used.basis == "additional loss":
        said.append(
            say(
                "The share used is all but what the tank lost more than one whose heat is made as it is drawn. "
                "It is a lower bound where the displaced source would have stored its heat in the tank too, as "
                "night electricity does."
            )
        )
    if used.unmeasured:
        said.append(
            say(
                "The stock measures no share for {unmeasured}: all heat is taken as used there.",
                unmeasured=joined(used.unmeasured),
            )
        )
    if _all_used(valued):
        said.append(say("All heat is taken as used: what the tank loses of it is not taken off."))
    return said


def _all_used(valued: Valued) -> bool:
    """Whether all of the heat counted as used, as the entries hold it."""
    used = valued.used
    shares = [used.share if one.used is None else Fraction(one.used) for one in valued.assumed]
    return used.basis == "stated" and bool(valued.report.total.diverted_wh) and all(share == 1 for share in shares)


def _battery(valued: Valued, home: Home) -> list[str]:
    total, currency = valued.report.total, home.home.currency
    said = []
    if total.forgone_wh:
        said.append(
            say(
                "Of the sun {forgone} would have charged the house battery: what that would have saved, {amount}, is "
                "part of what was given up.",
                forgone=_kwh(total.forgone_wh),
                amount=Number(f"{total.forgone_micro / 1e6:.2f} {currency}"),
            )
        )
    unheard = battery_unheard(home)
    if unheard:
        said.append(unheard)
    elif total.unheard_wh:
        said.append(
            say(
                "While {unheard} of sun was diverted, battery_w or battery_level_pct was not heard: whether the "
                "battery would have taken it is not known, and it counts as export given up.",
                unheard=_kwh(total.unheard_wh),
            )
        )
    return said


def _unsplit(heat_order_wh: int, diverted_wh: int, home: Home) -> list[str]:
    why = say("books.attribute is false")
    if home.books.attribute is None:
        heard = {"grid_w", "battery_w"} & set(home.signals)
        why = (
            say("books.used = 1 is stated without books.attribute")
            if heard
            else say("neither grid_w nor battery_w is heard")
        )
    if not heat_order_wh:
        return []
    return [
        say(
            "Up to {heat_order} of {diverted} was taken while a heater was ordered to heat, from the grid "
            "too, and counts as sun here, for {why}.",
            heat_order=_kwh(heat_order_wh),
            diverted=_kwh(diverted_wh),
            why=why,
        )
    ]


def displaced_text(valued: Valued, home: Home) -> str:
    """What the heat displaces, as the entries hold it; as the home file says where they hold nothing."""
    if valued.months:
        return say(
            "{sources}, month by month",
            sources=with_and(source.source for source in home.displaces),
        )
    held: dict[str, int] = {}
    for one in valued.assumed:
        if one.displaced is not None:
            held[one.displaced] = held.get(one.displaced, 0) + one.wh
    if not held:
        by_file = shares_text(home.displaces)
        return (
            say(
                "{by_file} (by today's home file: it was not kept when this was booked)",
                by_file=by_file,
            )
            if valued.assumed
            else by_file
        )
    if len(held) == 1:
        return _booked(next(iter(held)))
    return _several([(_booked(text), wh) for text, wh in held.items()])


def used_text(valued: Valued) -> str:
    """Which share of the heat counts as used: as the entries hold it, or as it is measured."""
    if valued.used.basis != "stated":
        how = say("measured in the heat stock") if valued.used.basis == "measured" else say("what additional loss left")
        return say(
            "{share} of the heat counted as used: {how}",
            share=percent(valued.used.share),
            how=how,
        )
    held: dict[str, int] = {}
    for one in valued.assumed:
        share = one.used if one.used is not None else str(valued.used.share)
        held[share] = held.get(share, 0) + one.wh
    if len(held) > 1:
        several = _several([(percent(Fraction(share)), wh) for share, wh in held.items()])
        return say("share of the heat counted as used, as booked: {several}", several=several)
    only = Fraction(next(iter(held), str(valued.used.share)))
    return say("{only} of the heat counted as used", only=percent(only))


def used_sentences(valued: Valued) -> list[str]:
    """The share beside `notes`, which has how it is measured, and that all of it counts."""
    if valued.used.basis != "stated":
        return [say("{share} of the heat counted as used.", share=percent(valued.used.share))]
    if _all_used(valued):
        return []
    return [Sentence(used_text(valued))]


def shares_text(displaces: Sequence[Displaces]) -> str:
    """The home file's shares: "60 % night electricity, 40 % gas boiler"; those of a season, day or hour after it."""
    plain = [_share_of(source.share, source.source) for source in displaces if source.only is None]
    seasons: dict[str, list[str]] = {}
    for source in displaces:
        if source.only is not None:
            seasons.setdefault(only_text(source.only), []).append(_share_of(source.share, source.source))
    parts = [joined(plain)] if plain else []
    parts += [joined((when, joined(shares)), ": ") for when, shares in seasons.items()]
    return joined(parts, "; ") or say("nothing")


def only_text(only: Only) -> str:
    """When a source has its share, in words: "October to April", "Saturday and Sunday, 08:00 to 20:00"."""
    parts = []
    if only.months:
        parts.append(_months(only.months))
    if only.days:
        parts.append(with_and(_DAYS[day] for day in only.days))
    if only.from_ is not None and only.to is not None:
        parts.append(say("{start} to {end}", start=only.from_, end=only.to))
    return joined(parts) or say("always")


def percent(share: Fraction) -> Number:
    """A share, rounded down to a tenth of a percent: 100 % says that nothing is missing."""
    return Number(f"{share * 1000 // 1 / 10:g} %")


def _share_of(share: Decimal | Fraction, source: str) -> str:
    return joined((percent(Fraction(share)), source), " ")


def _months(months: Iterable[int]) -> str:
    """Months in words, runs of three and more by their ends; a run may go over the new year."""
    there = set(months)
    if len(there) == 12:
        return say("all year")
    runs: list[str] = []
    for first in sorted(there):
        if (first - 2) % 12 + 1 in there:
            continue
        last = first
        while last % 12 + 1 in there:
            last = last % 12 + 1
        start, end = (Day(words.MONTHS[month - 1], date(2024, month, 1), "LLL") for month in (first, last))
        if first == last:
            runs.append(start)
        elif first % 12 + 1 == last:
            runs.append(listed((start, end)))
        else:
            runs.append(say("{start} to {end}", start=start, end=end))
    return joined(runs)


def _booked(text: str) -> str:
    """An entry's displaced shares for people."""
    if not text:
        return say("nothing")
    return joined(_share_of(share, source) for share, source in shares_of(text))


def _several(parts: Sequence[tuple[str, int]]) -> str:
    """Parts by their energy, the largest first."""
    ordered = sorted(parts, key=lambda part: -part[1])
    said = [say("{what} ({heat})", what=text, heat=_kwh(wh)) for text, wh in ordered[:_MOST_NAMED]]
    rest = sum(wh for _, wh in ordered[_MOST_NAMED:])
    return joined([*said, say("others ({heat})", heat=_kwh(rest)) if rest else ""], "; ")


def _kwh(wh: int) -> Number:
    return Number(f"{wh / 1000:.3f} kWh")
