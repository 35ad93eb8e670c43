"""What a home has to be judged by: its history, its books, its prices. It needs numpy; the daemon never imports it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from accounting.ledger import Ledger
from accounting.verdict.against_export import AgainstExport, against_export, samples
from accounting.verdict.by_source import by_source
from accounting.verdict.climate import latitude_of
from accounting.verdict.history import History, NotYetComparable, read_history
from accounting.verdict.judgement import Evidence, Rates
from accounting.verdict.life import Assumptions, Hardware
from accounting.verdict.priors import BOILER_EFFICIENCY, Facts
from accounting.verdict.selection import Exclude
from accounting.verdict.year import Sample
from daemon.config.model import Home
from daemon.documents.carriers import burns
from daemon.documents.value_document import lacking_carbon
from daemon.documents.value_notes import notes, used_sentences
from daemon.documents.valuing import home_value
from daemon.documents.verdict_comparison import NONE_YET, compared_days
from daemon.documents.verdict_prices import Prices
from rules.model.wording import say
from rules.tank.standing_loss import TEST_K

if TYPE_CHECKING:
    from accounting.verdict.before_after import BeforeAfter
    from accounting.verdict.fair_comparison import FairComparison

_DEFAULT_YEARS = 15


def gather(
    home: Home | None, ledger: Path | None, history: Path | None, installed: date | None, *, asked: bool = True
) -> Evidence:
    """All there is to judge by. home: None where there is no home file; ledger: the books, None: none are there; asked:
    whether this history was asked for, so that one that cannot be compared yet is refused and not just left out.

    Raises BrimfulError where a file is there but cannot be read or believed.
    """
    latitude = latitude_of(home.home.timezone) if home is not None else None
    prices = Prices(home) if home is not None else None
    read = read_history(history) if history is not None else None
    began = installed or _installed(home)
    compared: BeforeAfter | str
    try:
        compared = _before_after(home, read, began, prices, latitude)
    except NotYetComparable as unfit:
        if asked:
            raise
        compared = str(unfit)
    books = _books(home, ledger, prices)
    span = _span(compared, books.against_export)
    rates = prices.over(*span) if prices is not None and span is not None else Rates()
    return Evidence(
        against_export=books.against_export,
        before_after=compared,
        comparison=books.comparison,
        samples=books.samples,
        rates=rates,
        assumed=_assumed(home, prices, span),
        latitude=latitude,
        used=_used(home, books),
        efficiency=_facts(home, latitude).efficiency,
        carbon_known=home is not None and not lacking_carbon(home),
        notes=books.notes,
    )


def _used(home: Home | None, books: "_Books") -> float:
    if books.used is not None:
        return books.used
    return float(home.books.used_share) if home is not None else 1.0


def _installed(home: Home | None) -> date | None:
    if home is None:
        return None
    bought = [each.bought for each in home.hardware if each.bought is not None]
    return home.verdict.installed or min(bought, default=None)


def _before_after(
    home: Home | None, read: History | None, installed: date | None, prices: "Prices | None", latitude: float | None
) -> "BeforeAfter | str":
    if read is None:
        return say(
            "there is no history; a CSV file of what hot water took in three periods before and three after "
            "would answer it: name it with --history, or in [verdict]"
        )
    from accounting.verdict.before_after import before_after  # it brings scipy with it, which books alone do not need

    if installed is None:
        cause = "expected the first day with the hardware, got none"
        hint = "give --installed 2026-01-31, or set it in [verdict]"
        raise NotYetComparable("read the history", "verdict.installed", cause, hint)
    excludes = [Exclude(each.from_, each.to, each.why) for each in (home.verdict.exclude if home is not None else ())]
    meter = home.verdict.meter if home is not None else "water"
    after = [period for period in read.periods if period.first >= installed]
    bought = prices.over(after[0].first, after[-1].until).bought if prices is not None and after else {}
    return before_after(read, installed, _facts(home, latitude), excludes, meter, bought)


def _facts(home: Home | None, latitude: float | None) -> Facts:
    """What the home file says of tank and boiler."""
    if home is None:
        return Facts(latitude=latitude)
    stated = home.verdict.boiler_efficiency
    if stated is None:
        fuels = [each for each in home.displaces if burns(home, each)]
        stated = fuels[0].efficiency if fuels and fuels[0].efficiency <= 1 else None
    if stated is None and home.tank is not None and home.tank.boiler is not None:
        stated = home.tank.boiler.efficiency
    efficiency = None if stated is None else float(stated)
    tank = home.tank
    if tank is None:
        return Facts(boiler_efficiency=efficiency, latitude=latitude)
    known = tank.loss_w is not None or tank.label_class is not None
    loss_w = tank.ua_w_per_k * TEST_K if known else None
    return Facts(tank.hot_c, tank.cold_c, loss_w, tank.ambient_c, efficiency, latitude)


@dataclass(frozen=True)
class _Books:
    """What the ledger says: each part, or why it has none."""

    against_export: AgainstExport | str
    comparison: "FairComparison | str"
    samples: Sequence[Sample] = ()
    used: float | None = None
    notes: tuple[str, ...] = ()


def _books(home: Home | None, ledger: Path | None, prices: "Prices | None") -> _Books:
    if home is None or prices is None or ledger is None:
        why = say("there are no books yet; the daemon keeps them, and a month of them would answer it")
        return _Books(why, NONE_YET)
    with Ledger.open_reader(ledger) as books, books.still():
        valued = home_value(books, home, "month")
        compared = compared_days(home, books)
    report, used = valued.report, float(valued.used.share)
    months = {each.month: each.shares for each in valued.months}
    divided = partial(prices.avoided_parts, months=months)
    parts = by_source(report.rows, valued.assumed, divided, used, prices.stated_shares())
    answer = against_export(report, parts)
    if isinstance(answer, str):
        return _Books(answer, compared)
    rests_on = (*used_sentences(valued), *notes(valued, home))
    return _Books(answer, compared, samples(report, partial(prices.gas_share, months=months)), used, rests_on)


def _span(compared: "BeforeAfter | str", books: AgainstExport | str) -> tuple[date, date] | None:
    """The time whose prices count: the books' last year, else the periods after."""
    if not isinstance(books, str):
        return max(books.first, books.until - timedelta(days=365)), books.until + timedelta(days=1)
    if not isinstance(compared, str):
        return compared.first_after, compared.until_after
    return None


def _assumed(home: Home | None, prices: "Prices | None", span: tuple[date, date] | None) -> Assumptions | str:
    if home is None or prices is None or not home.hardware:
        return say("what the hardware cost is not known; a [[hardware]] table in the home file would answer it")
    hardware = tuple(
        Hardware(
            each.name,
            float(each.cost),
            float(each.fitting),
            each.life_years,
            each.embodied_kg,
            each.standby_w,
            tuple((part.after_years, float(part.cost)) for part in each.replaced),
        )
        for each in home.hardware
    )
    longest = max((each.life_years for each in hardware), default=_DEFAULT_YEARS)
    growth = home.verdict.growth
    rates = prices.over(*span) if span is not None else Rates()
    return Assumptions(
        hardware=hardware,
        years=home.verdict.years or max(1, round(longest)),
        discount=float(home.verdict.discount),
        growth={"electricity": float(growth.electricity), "gas": float(growth.gas), "export": float(growth.export)},
        import_price=prices.standby_over(*span) if span is not None else None,
        grid_kg=rates.grid_kg,
    )


def efficiency_assumed(home: Home | None) -> bool:
    """Whether the boiler's efficiency is the usual one, as nothing in the home file gives it."""
    return _facts(home, None).boiler_efficiency is None


__all__ = ["BOILER_EFFICIENCY", "Prices", "efficiency_assumed", "gather"]
