"""What holds in an interval whatever was diverted in it: the prices, factors and shares by which it is valued.

They are the same in all intervals until a price, factor or share changes, and are worked out once for all of these.
"""

from fractions import Fraction

from accounting.model.displaced_shares import shares_text
from accounting.pricing.displaced import total
from accounting.pricing.tariffs import mean_of
from accounting.valuation.formula import PerWh, Rates, micro
from accounting.valuation.settings import BooksSettings


class Terms:
    """The terms of an interval, UTC seconds. displaced: the sources' shares as an entry keeps them; unknown: the prices
    and factors that should have been known and were not."""

    def __init__(self, settings: BooksSettings, start_s: int, end_s: int) -> None:
        self._settings = settings
        self._interval = start_s, end_s
        self._until_s = _unchanged_until(settings, start_s)
        self._grid: dict[str, Fraction | None] = {}
        self.rates = rates_over(settings, (start_s, end_s), (start_s, end_s))
        self.per_wh = PerWh.of(self.rates, settings.used, settings.exportable)
        self.export_price_micro = micro(self.rates.export_price)
        self.import_price_micro = micro(self.rates.import_price)
        self.heat_value_micro = micro(self.rates.heat_price)
        self.displaced = shares_text(
            (source.share_over(start_s, end_s), source.source) for source in settings.displaces
        )
        self.unknown = _unknown(settings, self.rates)

    def hold(self, start_s: int, end_s: int) -> bool:
        """Whether another interval, as long as this one, has the same terms."""
        return self._interval[0] <= start_s and end_s <= self._until_s

    def grid_price(self, account: str) -> Fraction | None:
        """As `grid_price`, of these intervals."""
        if account not in self._grid:
            self._grid[account] = grid_price(self._settings, account, *self._interval)
        return self._grid[account]


def rates_over(settings: BooksSettings, span: tuple[int, int], interval: tuple[int, int]) -> Rates:
    """What a kWh diverted in the span gives up and avoids, UTC seconds. A source that would have run later counts from
    the interval the span is in."""
    grid, marginal = settings.grid, settings.grid_marginal
    spans = [(source, source.share_over(*span), interval if source.band else span) for source in settings.displaces]
    return Rates(
        settings.export.mean_price(*span) if settings.export is not None else None,
        total([(share, source.heat_price(*when)) for source, share, when in spans]),
        settings.imports.mean_price(*span) if settings.imports is not None else None,
        grid.at(*span) if grid is not None else None,
        total([(share, source.heat_kg(*when)) for source, share, when in spans]),
        *(
            (
                marginal.at(*span),
                total([(share, source.heat_kg(*when, marginal=True)) for source, share, when in spans]),
            )
            if marginal is not None
            else (None, None)
        ),
    )


def grid_price(settings: BooksSettings, account: str, start_s: int, end_s: int) -> Fraction | None:
    """The mean price, over [start_s, end_s), of the import tariff's hours that the account stands for."""
    if settings.imports is None:
        return None
    _, _, band = account.partition(":")
    pieces = settings.imports.pieces(start_s, end_s)
    return mean_of([piece for piece in pieces if piece.name == band] if band else pieces)


def next_change(settings: BooksSettings, utc_s: float, start_s: int) -> float:
    """The UTC second at which what a kWh gives up and avoids changes next after utc_s, marginal carbon aside; inf for
    never. start_s: of the interval that utc_s is in."""
    rates = (settings.export, settings.imports, settings.grid)
    changes = [rate.next_change(utc_s) for rate in rates if rate is not None]
    changes += [source.next_change(utc_s, start_s, settings.interval_s) for source in settings.displaces]
    return min(changes, default=float("inf"))


def _unchanged_until(settings: BooksSettings, start_s: int) -> float:
    """The UTC second until which what holds at start_s does; start_s itself where readings may yet change it."""
    if settings.heard:
        return start_s
    marginal = (settings.grid_marginal, *(source.carbon_marginal for source in settings.displaces))
    changes = [factor.next_change(start_s) for factor in marginal if factor is not None]
    return min([next_change(settings, start_s, start_s), *changes])


def _unknown(settings: BooksSettings, rates: Rates) -> tuple[str, ...]:
    missing = []
    if settings.export is not None and rates.export_price is None:
        missing.append("export price")
    if settings.displaces and rates.heat_price is None:
        missing.append("displaced price")
    has_factors = all(source.carbon is not None for source in settings.displaces)
    if (
        settings.grid is not None
        and settings.displaces
        and has_factors
        and (rates.export_kg is None or rates.heat_kg is None)
    ):
        missing.append("carbon")
    return tuple(missing)
