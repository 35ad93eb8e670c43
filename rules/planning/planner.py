"""The planner through the days: it notes what each half hour brought, and decides what to put into the tank."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from rules.model.errors import BrimfulError
from rules.planning.forecast import Expected
from rules.planning.likeness import Likeness
from rules.planning.outlook import outlook
from rules.planning.past import Day, scenarios
from rules.planning.policy import HalfHour, Intake, Policy, choose
from rules.planning.prices import UsualPrices, usual_cheapest
from rules.planning.prior import prior_scenarios
from rules.planning.store import HALF_HOURS_A_DAY, Store
from rules.planning.tonight import Plan, tonight
from rules.planning.tuning import Tuning
from rules.planning.warming import warmed

KEPT_DAYS = 120
DEARER = 4.0
"""Factor by which missing heat is taken to be dearer, time and again, until a plan is as sure as asked."""
MOST_TIMES_DEARER = 2


class Planner:
    """Holds the home's past, today so far and the standing policy. The same calls give the same decisions.

    Call `note` or `decide` once for each half hour, in order of time; a half hour that is left out is not known.
    """

    def __init__(self, store: Store, days: Sequence[Day] = (), tuning: Tuning | None = None) -> None:
        """days: the home's past, in any order; none: draws after a published profile and no sun are assumed."""
        self.store = store
        self.tuning = tuning or Tuning()
        self._days = sorted(days, key=lambda day: day.number)[-KEPT_DAYS:]
        self._prices: dict[tuple[int, int], HalfHour] = {}
        self._forecasts: dict[int, Expected] = {}
        self._latest: HalfHour | None = None
        self._surplus: list[list[float]] = []
        self._drawn: list[list[float]] = []
        self._policy: Policy | None = None
        self._dearer: list[Policy] = []
        """The policy with missing heat ever dearer, as plans have needed them so far; of the standing policy alone."""
        self._places: dict[tuple[int, int], int] = {}
        self._ahead: tuple[HalfHour, ...] = ()

    def forecast(self, surplus: Mapping[int, Expected]) -> None:
        """Take over forecasts of the surplus, by day number, in place of all earlier ones; the next call plans anew."""
        self._forecasts = dict(surplus)
        self._policy = None

    def decide(
        self, ahead: Sequence[HalfHour], stock_wh: float, surplus_wh: float | None, drawn_wh: float | None
    ) -> Intake:
        """What to put in during ahead[0].

        ahead: this half hour and all after it whose prices are known, without a gap; stock_wh: heat after this half
        hour's loss and draw; surplus_wh, drawn_wh: of this half hour; None: not known, and no sun is put in.
        Raises BrimfulError where a half hour of an earlier day is asked for.
        """
        here = ahead[0]
        self._note(here, surplus_wh, drawn_wh)
        worth = [0.0]  # of a tank that holds nothing beyond its reserve
        if self.store.usable_wh > 0.0:
            policy = self._standing(ahead)
            worth = policy.worth(self._places[here.day, here.slot], self._shares(policy.likeness, here))
        return choose(self.store, worth, stock_wh, surplus_wh or 0.0, here.import_price, here.export_price)

    def plan(
        self,
        stock_wh: float,
        half_hours: int = HALF_HOURS_A_DAY,
        confidence: float | None = None,
        boiler_price: float | None = None,
        *,
        begun: bool = False,
        with_outlook: bool = True,
    ) -> Plan | None:
        """The plan for the half hours after the one decided last, at whose end `stock_wh` is in the tank.

        confidence: share of the scenarios, 0 to below 1, in which nothing may be missing; to get there missing heat is
        taken to be 4 or 16 times dearer. None: the price alone decides. boiler_price: money per kWh that missing heat
        adds to the costs shown; None: the store's `missing_price`. begun: whether the grid heats already. with_outlook:
        whether other choices are worked out too, which is most of the work. Returns None before the first decision.
        """
        if confidence is not None and not 0.0 <= confidence < 1.0:
            raise BrimfulError("plan the night", "confidence", f"expected 0 to below 1, got {confidence}")
        plain = policy = self._policy
        here = self._latest
        if plain is None or policy is None or here is None:
            return None
        at = self._places[here.day, here.slot]
        shares = self._shares(policy.likeness, here)
        known = len(self._past(here.day))
        price = plain.store.missing_price if boiler_price is None else boiler_price
        places = range(at + 1, min(at + 1 + half_hours, len(policy.half_hours)))
        played = warmed(policy, shares, stock_wh, places, begun=begun)
        plan = tonight(policy, played, places, stock_wh, known, price)
        for time in range(MOST_TIMES_DEARER):
            if confidence is None or plan.cold_risk <= 1.0 - confidence:
                break
            if time == len(self._dearer):
                store = replace(policy.store, missing_price=max(policy.store.missing_price, 0.01) * DEARER)
                self._dearer.append(Policy(store, policy.half_hours, policy.likeness, policy.end_worth))
            policy = self._dearer[time]
            played = warmed(policy, shares, stock_wh, places, begun=begun)
            plan = tonight(policy, played, places, stock_wh, known, price)
        if not with_outlook:
            return plan
        return replace(plan, outlook=outlook(played, plain, shares, stock_wh, places, price))

    def note(self, here: HalfHour, surplus_wh: float | None, drawn_wh: float | None, *, priced: bool = True) -> None:
        """Take note of a half hour that has passed, without a decision for it.

        surplus_wh, drawn_wh: Wh; None: not known; priced: whether its prices are known, and count for later ones.
        Raises BrimfulError where a half hour of an earlier day is noted.
        """
        self._note(here, surplus_wh, drawn_wh)
        if priced:
            self._prices[here.day, here.slot] = here

    def _note(self, here: HalfHour, surplus_wh: float | None, drawn_wh: float | None) -> None:
        latest = self._latest
        if latest is None or latest.day != here.day:
            if latest is not None:
                if here.day < latest.day:
                    raise BrimfulError("plan the night", "ahead", f"expected day {latest.day} or later, got {here.day}")
                self._days.append(
                    Day(latest.day, latest.weekday, tuple(map(_mean, self._surplus)), tuple(map(_mean, self._drawn)))
                )
                del self._days[:-KEPT_DAYS]
            self._surplus = [[] for _ in range(HALF_HOURS_A_DAY)]
            self._drawn = [[] for _ in range(HALF_HOURS_A_DAY)]
            self._policy = None
        self._latest = here
        if surplus_wh is not None:
            self._surplus[here.slot].append(surplus_wh)
        if drawn_wh is not None:
            self._drawn[here.slot].append(drawn_wh)

    def _past(self, today: int) -> list[Day]:
        return [day for day in self._days if day.usable and day.number < today][-self.tuning.most_days :]

    def _standing(self, ahead: Sequence[HalfHour]) -> Policy:
        """The policy of today, made anew where the day, the forecast or a price has changed."""
        known = tuple(ahead)
        if self._policy is not None and known == self._ahead[-len(known) :]:
            return self._policy
        here, last = ahead[0], ahead[-1]
        self._prices = {
            key: row for key, row in self._prices.items() if row.day > here.day - 2 * self.tuning.price_days
        }
        self._prices.update(((half_hour.day, half_hour.slot), half_hour) for half_hour in ahead)
        usual = UsualPrices(self._prices.values(), self.tuning.price_days)
        half_hours = list(ahead)
        for day in range(last.day, here.day + self.tuning.days_ahead + 1):
            weekday = (last.weekday + day - last.day) % 7
            half_hours += [
                HalfHour(day, weekday, slot, *usual.of(weekday, slot))
                for slot in range(last.slot + 1 if day == last.day else 0, HALF_HOURS_A_DAY)
            ]
        past = scenarios(self._past(here.day), here.day, self.tuning.half_life_days)
        past = prior_scenarios(self.store, past, here.day) + past
        # Heat left at the end saves the cheapest of the heat still to come; a full tank's last half of that.
        cells, end_price = self.tuning.cells, min(self.store.missing_price, usual_cheapest(half_hours)) / 1000
        end_worth = [end_price * (1 - 0.5 * cell / cells) for cell in range(cells)]
        likeness = Likeness(past, self.tuning, self._forecasts)
        self._policy, self._dearer = Policy(self.store, half_hours, likeness, end_worth), []
        # Where the clock repeats an hour the later one stands: what follows it is what is still to come.
        self._places = {(half_hour.day, half_hour.slot): at for at, half_hour in enumerate(half_hours)}
        self._ahead = known
        return self._policy

    def _shares(self, likeness: Likeness, here: HalfHour) -> list[float]:
        surplus = _so_far(self._surplus, here.slot, [day.surplus_wh for day in likeness.scenarios])
        drawn = _so_far(self._drawn, here.slot, [day.drawn_wh for day in likeness.scenarios])
        if here.slot == HALF_HOURS_A_DAY - 1:
            return likeness.across_midnight(here.day + 1, (here.weekday + 1) % 7, sum(surplus), sum(drawn))
        before = self._days[-1] if self._days and self._days[-1].number == here.day - 1 else None
        if before is not None and before.usable:
            totals = sum(wh or 0.0 for wh in before.surplus_wh), sum(wh or 0.0 for wh in before.drawn_wh)
        else:
            totals = likeness.usual_totals
        return likeness.of_today((here.day, here.weekday, here.slot), totals, surplus, drawn)


def _so_far(found: Sequence[Sequence[float]], slot: int, by_scenario: Sequence[Sequence[float]]) -> list[float]:
    """Each half hour of today up to `slot`; where nothing is known, the mean of the scenarios."""
    return [
        sum(values) / len(values) if values else sum(day[at] for day in by_scenario) / len(by_scenario)
        for at, values in enumerate(found[: slot + 1])
    ]


def _mean(values: Sequence[float]) -> float | None:
    return sum(values) / len(values) if values else None
