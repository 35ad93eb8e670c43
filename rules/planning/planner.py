"""The planner through the days: it notes what each half hour brought, and decides what to put into the tank."""

from collections.abc import Sequence

from rules.planning.likeness import Likeness, Tuning
from rules.planning.past import Day, scenarios
from rules.planning.policy import Decision, HalfHour, Policy
from rules.planning.prices import UsualPrices, usual_cheapest
from rules.planning.prior import prior_scenarios
from rules.planning.store import HALF_HOURS_A_DAY, Store


class Planner:
    """Holds the home's past, today so far and the standing policy. Same calls, same decisions."""

    def __init__(self, store: Store, tuning: Tuning | None = None) -> None:
        self.store = store
        self.tuning = tuning or Tuning()
        self.days: list[Day] = []
        self._prices: dict[tuple[int, int], HalfHour] = {}
        self._today: tuple[int, int] | None = None
        self._surplus: list[list[float]] = []
        self._drawn: list[list[float]] = []
        self._policy: Policy | None = None
        self._at: dict[tuple[int, int], int] = {}
        self._known_to: tuple[int, int] = (0, 0)

    def decide(
        self, ahead: Sequence[HalfHour], stock_wh: float, surplus_wh: float | None, drawn_wh: float | None
    ) -> Decision:
        """What to put in during ahead[0].

        ahead: this half hour and all after it whose prices are known, without a gap; stock_wh: heat after this half
        hour's loss and draw; surplus_wh, drawn_wh: of this half hour; None: not known, and no sun is put in.
        Call it once for each half hour, in order of time.
        """
        here = ahead[0]
        if self._today is None or self._today[0] != here.day:
            self._turn_day(here)
        if self.store.capacity_wh <= 0.0:
            return Decision(0.0, 0.0)
        if surplus_wh is not None:
            self._surplus[here.slot].append(surplus_wh)
        if drawn_wh is not None:
            self._drawn[here.slot].append(drawn_wh)
        if self._policy is None or self._known_to != (ahead[-1].day, ahead[-1].slot):
            self._plan(ahead)
        policy = self._policy
        assert policy is not None
        at = self._at.get((here.day, here.slot), 0)
        shares = self._shares(policy.likeness, here)
        return policy.decide(at, shares, stock_wh, surplus_wh or 0.0)

    def _turn_day(self, here: HalfHour) -> None:
        if self._today is not None:
            day, weekday = self._today
            self.days.append(
                Day(day, weekday, tuple(map(_mean, self._surplus)), tuple(map(_mean, self._drawn)))
            )
        self._today = (here.day, here.weekday)
        self._surplus = [[] for _ in range(HALF_HOURS_A_DAY)]
        self._drawn = [[] for _ in range(HALF_HOURS_A_DAY)]
        self._policy = None

    def _plan(self, ahead: Sequence[HalfHour]) -> None:
        here, last = ahead[0], ahead[-1]
        for half_hour in ahead:
            self._prices[half_hour.day, half_hour.slot] = half_hour
        usual = UsualPrices(self._prices.values())
        half_hours = list(ahead)
        final_day = here.day + self.tuning.days_ahead
        for day in range(last.day, final_day + 1):
            weekday = (last.weekday + day - last.day) % 7
            for slot in range(last.slot + 1 if day == last.day else 0, HALF_HOURS_A_DAY):
                half_hours.append(HalfHour(day, weekday, slot, *usual.of(weekday, slot)))
        past = scenarios(self.days, here.day, self.tuning.most_days, self.tuning.half_life_days)
        past = prior_scenarios(self.store, len(past), here.day) + past
        end_price = min(self.store.missing_price, usual_cheapest(half_hours))
        self._policy = Policy(self.store, half_hours, Likeness(past, self.tuning), end_price)
        self._at = {(half_hour.day, half_hour.slot): at for at, half_hour in enumerate(half_hours)}
        self._known_to = (last.day, last.slot)

    def _shares(self, likeness: Likeness, here: HalfHour) -> list[float]:
        surplus = self._so_far(self._surplus, here.slot, [s.surplus_wh for s in likeness.scenarios])
        drawn = self._so_far(self._drawn, here.slot, [s.drawn_wh for s in likeness.scenarios])
        if here.slot == HALF_HOURS_A_DAY - 1:
            return likeness.across_midnight(here.day + 1, (here.weekday + 1) % 7, sum(surplus), sum(drawn))
        before = self.days[-1] if self.days and self.days[-1].number == here.day - 1 else None
        if before is not None and before.usable:
            totals = (sum(v or 0.0 for v in before.surplus_wh), sum(v or 0.0 for v in before.drawn_wh))
        else:
            totals = likeness.usual_totals
        return likeness.of_today((here.day, here.weekday, here.slot), totals, surplus, drawn)

    def _so_far(
        self, found: Sequence[Sequence[float]], slot: int, usual: Sequence[tuple[float, ...]]
    ) -> list[float]:
        return [
            sum(values) / len(values) if values else sum(day[at] for day in usual) / len(usual)
            for at, values in enumerate(found[: slot + 1])
        ]


def _mean(values: Sequence[float]) -> float | None:
    return sum(values) / len(values) if values else None
