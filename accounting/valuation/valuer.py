"""What an interval's energy was worth, by a home's prices, factors and shares: the same live, replayed and restated."""

from collections.abc import Sequence
from fractions import Fraction
from zoneinfo import ZoneInfo

from accounting.model.apportion import spread
from accounting.model.entry import Entry, Posting, reason_text
from accounting.model.journal import BATTERY, BATTERY_FORGONE, BOILER, grid_account, is_grid, postings
from accounting.valuation.battery_hours import EVENING, price_by_hours
from accounting.valuation.formula import Rates, amount, cost, half_even
from accounting.valuation.settings import EFFICIENCY, BooksSettings
from accounting.valuation.terms import Terms, grid_price, rates_over
from rules.model.record import record

_NOTHING_FORGONE = Posting(BATTERY_FORGONE, 0)


@record
class Energy:
    """What is known of one interval of one heater, prices left aside.

    wh: by its meter; estimated_wh: of it, what fell into a gap; measured_s: see `Entry`. taken: of wh, what the sun did
    not give, as (account, Wh); curtailed_wh: of the sun's part, what an export limit would have kept from being sold;
    forgone_wh: of it, what would have charged the house battery; unheard_wh: of it, what was taken while the battery
    was not heard. hours: when the battery gives or would have given, as `Entry.battery_hours` has it (None: the
    evening's).
    """

    start_s: int
    heater: str
    wh: int
    estimated_wh: int
    measured_s: int
    taken: tuple[tuple[str, int], ...] = ()
    curtailed_wh: int = 0
    forgone_wh: int = 0
    unheard_wh: int = 0
    hours: str | None = None


class Valuer:
    """Makes entries of energy, by one state of the home's prices, factors and shares."""

    def __init__(self, settings: BooksSettings) -> None:
        self.settings = settings
        self._used = str(settings.used)
        self._zone = ZoneInfo(settings.timezone)
        self._efficiency = settings.battery.efficiency if settings.battery is not None else EFFICIENCY
        self._terms: Terms | None = None

    def entry(self, energy: Energy, reason: str) -> Entry:
        """The interval's entry. reason: why it is written; the list of unknown prices and factors is added to it."""
        settings = self.settings
        terms = self._terms_of(energy.start_s)
        rates = terms.rates
        forgone = _NOTHING_FORGONE
        forgone_marginal_mg = 0
        bought: list[Posting] = []
        bought_micro = bought_mg = bought_marginal_mg = taken_wh = battery_wh = unpriced_wh = 0
        unknown = [*terms.unknown]
        for account, wh in energy.taken:
            price = self._price_of(account, energy, terms)
            if price is None:
                unpriced_wh += wh
                unknown.append(f"price of {account}")
            spent = cost(wh, price, rates)
            bought.append(Posting(account, wh, spent.micro, spent.mg))
            bought_micro += spent.micro
            bought_mg += spent.mg
            bought_marginal_mg += spent.marginal_mg or 0
            taken_wh += wh
            battery_wh += wh if account == BATTERY else 0
        if energy.forgone_wh:
            price = self._price_of(BATTERY_FORGONE, energy, terms)
            if price is None:
                unpriced_wh += energy.forgone_wh
                unknown.append(f"price of {BATTERY_FORGONE}")
            spent = cost(energy.forgone_wh, price, rates, self._efficiency)
            forgone = Posting(BATTERY_FORGONE, energy.forgone_wh, spent.micro, spent.mg)
            forgone_marginal_mg = spent.marginal_mg or 0
        sellable_wh = energy.wh - taken_wh - energy.curtailed_wh - energy.forgone_wh
        worth = terms.per_wh.worth(energy.wh, sellable_wh, unpriced_wh)
        given_up_marginal_mg = worth.given_up_marginal_mg
        return Entry(
            start_s=energy.start_s,
            interval_s=settings.interval_s,
            heater=energy.heater,
            diverted_wh=energy.wh,
            estimated_wh=energy.estimated_wh,
            measured_s=energy.measured_s,
            given_up_micro=worth.given_up_micro + forgone.micro,
            avoided_micro=worth.avoided_micro,
            given_up_mg=worth.given_up_mg + forgone.mg,
            avoided_mg=worth.avoided_mg,
            export_price_micro=terms.export_price_micro,
            import_price_micro=terms.import_price_micro,
            heat_value_micro=terms.heat_value_micro,
            grid_wh=taken_wh - battery_wh,
            battery_wh=battery_wh,
            curtailed_wh=energy.curtailed_wh,
            bought_micro=bought_micro,
            bought_mg=bought_mg,
            given_up_marginal_mg=None if given_up_marginal_mg is None else given_up_marginal_mg + forgone_marginal_mg,
            avoided_marginal_mg=worth.avoided_marginal_mg,
            bought_marginal_mg=None if given_up_marginal_mg is None else bought_marginal_mg,
            forgone_wh=forgone.wh,
            forgone_micro=forgone.micro,
            forgone_mg=forgone.mg,
            unheard_wh=energy.unheard_wh,
            battery_hours=energy.hours if energy.forgone_wh or battery_wh else None,
            unpriced_wh=worth.unpriced_wh,
            displaced=terms.displaced if energy.wh else None,
            used=self._used,
            reason=reason_text(reason, unknown),
            postings=postings(energy.wh, worth.given_up_micro, worth.given_up_mg, [forgone, *bought]),
        )

    def revalue(self, entry: Entry, reason: str) -> Entry:
        """A kept interval valued anew: its energy stays as it is. The same prices and shares give the same figures."""
        return self.entry(energy_of(entry), reason)

    def rates(self, span: tuple[int, int], interval: tuple[int, int]) -> Rates:
        """As `rates_over`, by these settings."""
        return rates_over(self.settings, span, interval)

    def topup(self, start_s: int, wh: int) -> tuple[Posting, ...]:
        """Top-up energy of an interval, as sources of the tank: out of the grid's accounts, spread evenly over time."""
        if not wh:
            return ()
        end_s = start_s + self.settings.interval_s
        imports, grid = self.settings.imports, self.settings.grid
        seconds: dict[str, int] = {}
        for piece in imports.pieces(start_s, end_s) if imports is not None else ():
            account = grid_account(piece.name)
            seconds[account] = seconds.get(account, 0) + piece.end_s - piece.start_s
        seconds = seconds or {grid_account(None): 1}
        kg = grid.at(start_s, end_s) if grid is not None else None
        lines = []
        for account, part_wh in zip(seconds, spread(wh, list(seconds.values())), strict=True):
            if part_wh:
                price = grid_price(self.settings, account, start_s, end_s)
                lines.append(Posting(account, -part_wh, -amount(part_wh, price), -amount(part_wh, kg)))
        return tuple(lines)

    def boiler(self, start_s: int, counted_wh: int) -> tuple[Posting, ...]:
        """The boiler's heat of an interval, as a source of the tank, with its fuel's cost. counted_wh: by its meter."""
        tank = self.settings.tank
        if not counted_wh or tank is None or tank.boiler is None:
            return ()
        boiler = tank.boiler
        span = (start_s, start_s + self.settings.interval_s)
        price = self._fuel_price(*span)
        kg = boiler.carbon.at(*span) if boiler.carbon is not None else None
        heat_wh = half_even(counted_wh * boiler.heat.numerator, boiler.heat.denominator)
        return (
            Posting(BOILER, -heat_wh, -amount(counted_wh, price, boiler.fuel), -amount(counted_wh, kg, boiler.fuel)),
        )

    def costs_nothing(self, account: str, start_s: int, wh: int) -> bool:
        """Whether heat from the grid or the boiler, Wh, is known to cost nothing in an interval, or so little that it
        is booked as nothing; of other sources the heaters' entries say what has no price."""
        end_s = start_s + self.settings.interval_s
        if account == BOILER:
            boiler = self.settings.tank.boiler if self.settings.tank is not None else None
            price = self._fuel_price(start_s, end_s)
            return boiler is not None and price is not None and not amount(wh, price, boiler.fuel / boiler.heat)
        if not is_grid(account):
            return True
        price = grid_price(self.settings, account, start_s, end_s)
        return price is not None and not amount(wh, price)

    def _fuel_price(self, start_s: int, end_s: int) -> Fraction | None:
        boiler = self.settings.tank.boiler if self.settings.tank is not None else None
        if boiler is None:
            return None
        return boiler.tariff.mean_price(start_s, end_s) if boiler.tariff is not None else boiler.price

    def _terms_of(self, start_s: int) -> Terms:
        """The terms of the interval that starts at start_s."""
        end_s = start_s + self.settings.interval_s
        if self._terms is None or not self._terms.hold(start_s, end_s):
            self._terms = Terms(self.settings, start_s, end_s)
        return self._terms

    def _price_of(self, account: str, energy: Energy, terms: Terms) -> Fraction | None:
        """What a kWh from the account cost; the battery's, if no price is stated, what it would have saved later."""
        if is_grid(account):
            return terms.grid_price(account)
        settings = self.settings
        if settings.battery_price is not None or settings.imports is None:
            return settings.battery_price
        return price_by_hours(
            settings.imports, energy.hours or EVENING, energy.start_s + settings.interval_s, self._zone
        )


def energy_of(entry: Entry) -> Energy:
    """An entry's energy, without prices. Only an entry with its postings names the accounts besides the sun's."""
    taken: tuple[tuple[str, int], ...] = ()
    if entry.sun_wh != entry.diverted_wh:
        lines: Sequence[Posting] = entry.postings
        taken = tuple([(line.account, -line.wh) for line in lines if line.account == BATTERY or is_grid(line.account)])
    return Energy(
        entry.start_s,
        entry.heater,
        entry.diverted_wh,
        entry.estimated_wh,
        entry.measured_s,
        taken,
        entry.curtailed_wh,
        entry.forgone_wh,
        entry.unheard_wh,
        entry.battery_hours,
    )
