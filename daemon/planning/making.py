"""Tonight's plan made from a home file and a ledger, as of one instant: the same planner as the night game's."""

from dataclasses import dataclass, replace
from datetime import date
from zoneinfo import ZoneInfo

from accounting.ledger import Ledger
from accounting.model.periods import midnight_s
from daemon.assembly.prepared_home import PreparedHome
from daemon.planning.forecasts import NO_FORECAST, Forecasts, read_forecasts
from daemon.planning.half_hours import day_number, placed
from daemon.planning.heatings import Heating, heating_note, marked, other_heatings
from daemon.planning.history import History, PastHalfHour, price_of, read_history
from daemon.planning.tank_store import Tank, tank_of
from rules.model.formatting import clock, percent
from rules.model.wording import say
from rules.planning.planner import Planner
from rules.planning.policy import HalfHour
from rules.planning.prices import UsualPrices
from rules.planning.store import HALF_HOUR_S, HALF_HOURS_A_DAY
from rules.planning.tonight import Plan
from rules.planning.tuning import Tuning

DAY_S = HALF_HOURS_A_DAY * HALF_HOUR_S
BEGUN_SHARE = 0.25
"""Of a half hour at full power: what the heater took more from the grid it was heating with on purpose."""


@dataclass(frozen=True, slots=True)
class NightPlan:
    """A plan and what it was made of. Instants in UTC seconds.

    made_at_s: as of when; from_s, to_s: the day it is for, its end not included; plan: None where there is none to
    make, for the reason in `why_none`; hours: the half hours from from_s on; stock_wh: the heat it starts from,
    of what `history` has;
    notes: what had to be assumed or is not known, in sentences; heatings: what other rules heat within that day.
    """

    made_at_s: float
    from_s: int
    to_s: int
    plan: Plan | None
    why_none: str
    hours: tuple[HalfHour, ...]
    history: History
    tank: Tank
    stock_wh: float
    forecasts: Forecasts
    notes: tuple[str, ...]
    heatings: tuple[Heating, ...] = ()


def make(made: PreparedHome, ledger: Ledger, at_s: float) -> NightPlan:
    """The plan for the 24 hours from the half hour on that at_s lies in, by what was known then. Reads only.

    Raises BrimfulError for a home without a tank, and LedgerError.
    """
    home = made.home
    zone = ZoneInfo(home.home.timezone)
    history = read_history(ledger, made, at_s)
    here_s = history.until_s - HALF_HOUR_S
    notes: list[str] = []
    ahead = _ahead(made, history, here_s, zone, notes)
    heatings = other_heatings(made, ledger, at_s, history.until_s, history.until_s + DAY_S) if ahead else []
    if isinstance(heatings, str):
        notes.append(heatings)
        heatings = []
    ahead = marked(ahead, here_s, heatings)
    notes += [heating_note(each, home.home.timezone, history.until_s) for each in heatings]
    tank = tank_of(made, here_s, max((each.import_price for each in ahead), default=0.0))
    notes += tank.assumed
    stock_wh = history.stock_wh
    if stock_wh is None:
        notes.append(say("The tank's level is not known: the plan takes the tank to be empty."))
        stock_wh = 0.0
    stock_wh = _within(stock_wh, tank, notes)
    notes += _of_history(made, history)
    why_none = _why_none(made, history, ahead)
    plan, forecasts = None, NO_FORECAST
    if not why_none:
        forecasts = read_forecasts(home, ledger, history, at_s)
        plan = _planned(made, history, ahead, tank, stock_wh, forecasts)
        why_none = (
            "" if plan is not None else say("The tank holds nothing above its reserve: there is nothing to plan.")
        )
    return NightPlan(
        at_s,
        history.until_s,
        history.until_s + DAY_S,
        plan,
        why_none,
        tuple(ahead[1 : 1 + HALF_HOURS_A_DAY]),
        history,
        tank,
        stock_wh,
        forecasts,
        tuple(notes),
        tuple(heatings),
    )


def _within(stock_wh: float, tank: Tank, notes: list[str]) -> float:
    """The heat that the plan starts from: what is in the tank, as far as planning has a use for it."""
    counted_wh = min(max(stock_wh, 0.0), tank.store.capacity_wh)
    if abs(stock_wh - counted_wh) > tank.full_wh / 1000:
        shown, counted = (percent(round(tank.level_pct(wh), 1)) for wh in (stock_wh, counted_wh))
        why = say("heating stops there") if counted_wh else say("no tank holds less than cold water")
        notes.append(
            say(
                "The tank's level is {shown}; the plan counts on {counted}: {why}.",
                shown=shown,
                counted=counted,
                why=why,
            )
        )
    return counted_wh


def _planned(
    made: PreparedHome,
    history: History,
    ahead: list[HalfHour],
    tank: Tank,
    stock_wh: float,
    forecasts: Forecasts,
) -> Plan | None:
    zone, sold = ZoneInfo(made.home.home.timezone), _Sold(made, history)
    planner = Planner(tank.store)
    for each in history.half_hours[:-1]:
        past = _past(each, zone)
        past = replace(past, export_price=sold.price(each.export_price, past))
        planner.note(past, each.surplus_wh, each.drawn_wh, priced=each.import_price is not None)
    planner.forecast(forecasts.expected)
    last = history.half_hours[-1]
    planner.decide(ahead, stock_wh, last.surplus_wh, last.drawn_wh)
    store = tank.store
    begun = stock_wh < store.warm_wh and history.grid_wh > store.half_hour_wh * BEGUN_SHARE
    return planner.plan(stock_wh, HALF_HOURS_A_DAY, tank.confidence, tank.boiler_price or 0.0, begun=begun)


def _past(each: PastHalfHour, zone: ZoneInfo) -> HalfHour:
    """A past half hour for the planner; a price that is not known is 0 here and must not be used."""
    return placed(each.start_s, zone, each.import_price or 0.0, each.export_price or 0.0)


class _Sold:
    """What electricity sold brings: nothing without an export tariff; else the price, or the usual one of the latest
    days; where none is known at all, the sun is as dear as electricity bought, lest it look cheap for want of a price.
    """

    def __init__(self, made: PreparedHome, history: History) -> None:
        zone = ZoneInfo(made.home.home.timezone)
        known = [_past(each, zone) for each in history.half_hours if each.export_price is not None]
        self.has_tariff = made.books.export is not None
        self.ever_known = bool(known)
        self._usual = UsualPrices(known, Tuning().price_days)

    def price(self, known: float | None, here: HalfHour) -> float:
        """Money per kWh. known: the half hour's own price; here: the half hour, with the price of what is bought."""
        if not self.has_tariff:
            return 0.0
        if known is not None:
            return known
        return self._usual.of(here.weekday, here.slot)[1] if self.ever_known else here.import_price


def _ahead(made: PreparedHome, history: History, here_s: int, zone: ZoneInfo, notes: list[str]) -> list[HalfHour]:
    """The half hour that ended last and all up to the end of the local tomorrow; none where no price is known.

    A price that is not known is the usual one of the latest days.
    """
    bought = [_past(each, zone) for each in history.half_hours if each.import_price is not None]
    usual_buys, sold = UsualPrices(bought, Tuning().price_days), _Sold(made, history)
    end_s = midnight_s(date.fromordinal(day_number(history.until_s, zone) + 2), zone)
    found: list[HalfHour] = []
    unpriced_s = None
    sun_as_bought = False
    for start_s in range(here_s, end_s, HALF_HOUR_S):
        buys, sells = (price_of(priced, start_s) for priced in (made.books.imports, made.books.export))
        bare = placed(start_s, zone, 0.0, 0.0)
        usual = buys is None
        if buys is None:
            if not bought:
                return []
            buys = usual_buys.of(bare.weekday, bare.slot)[0]
        lacks_sells = sold.has_tariff and sells is None
        usual |= lacks_sells and sold.ever_known
        sun_as_bought |= lacks_sells and not sold.ever_known
        if usual and unpriced_s is None and start_s > here_s:
            unpriced_s = start_s
        here = replace(bare, import_price=buys)
        found.append(replace(here, export_price=sold.price(sells, here)))
    if not sold.has_tariff:
        notes.append(say("The home file has no export tariff: the sun counts as free."))
    if sun_as_bought:
        notes.append(
            say("No price of electricity sold is known: the plan counts the sun as dear as electricity bought.")
        )
    if unpriced_s is not None:
        since = clock(unpriced_s, str(zone), history.until_s)
        notes.append(
            say(
                "Prices from {since} on are not known yet: the usual ones of the latest days stand for them.",
                since=since,
            )
        )
    return found


def _of_history(made: PreparedHome, history: History) -> list[str]:
    """What the past does not show."""
    notes = []
    if not history.usable_days:
        notes.append(
            say(
                "No day of this home's past is known well enough: until there is one, no sun is assumed, and "
                "draws after a published profile (Regulation (EU) 814/2013, profile M), scaled to 35, 60 and 85 "
                "% of the tank."
            )
        )
    elif not history.source:
        notes.append(
            say(
                "The ledger keeps no readings of what left the house: the sun is taken to be what the heaters "
                "took of it, the least that it can have been."
            )
        )
    if history.usable_days:
        notes.append(say("Draws are what left the tank: what it could not serve at the time is not in them."))
    return notes


def _why_none(made: PreparedHome, history: History, ahead: list[HalfHour]) -> str:
    if not ahead:
        return say("No price of electricity bought is known: no hour is cheaper than another, and nothing is planned.")
    until_s = history.until_s + DAY_S
    for from_s, to_s in made.rules.away.periods:
        if from_s <= history.until_s and until_s <= to_s:
            back = clock(to_s, made.home.home.timezone, history.until_s)
            return say("You are away until {back}: nothing is heated, and nothing is planned.", back=back)
    return ""
