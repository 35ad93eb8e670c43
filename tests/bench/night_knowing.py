"""What the plan would cost if some of what it cannot know were known: the sun, or the draws, of so many days.

It shows what the distance from perfect foresight is made of. What is known is known to the worth of the stock alone;
which days of the past today is like is judged as ever.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from rules.planning.marginal import Worth
from rules.planning.past import Scenario
from rules.planning.planner import Planner
from rules.planning.policy import HalfHour, Policy
from tests.bench.night_case import Case

Truth = Mapping[tuple[int, int], float]
"""Wh by (day, slot)."""


@dataclass(frozen=True, slots=True)
class Known:
    """How many days, today the first, are known beforehand. 0: none."""

    sun_days: int = 0
    draw_days: int = 0


@dataclass(frozen=True, slots=True)
class _Moment:
    """A half hour of a scenario with what is known of it put in; only its own slot is there."""

    surplus_wh: Mapping[int, float]
    drawn_wh: Mapping[int, float]


class KnowingPlanner(Planner):
    """The planner with a glimpse of the case it plays."""

    def __init__(self, case: Case, known: Known) -> None:
        super().__init__(case.store)
        self._known = known
        self._sun = {(row.day, row.slot): row.surplus_wh or 0.0 for row in case.rows}
        self._draws = {(row.day, row.slot): row.drawn_wh or 0.0 for row in case.rows}

    def _standing(self, ahead: Sequence[HalfHour]) -> Policy:
        policy = super()._standing(ahead)
        if not isinstance(policy, _KnowingPolicy):
            today = ahead[0].day
            policy = self._policy = _KnowingPolicy(
                policy,
                {key: wh for key, wh in self._sun.items() if 0 <= key[0] - today < self._known.sun_days},
                {key: wh for key, wh in self._draws.items() if 0 <= key[0] - today < self._known.draw_days},
            )
        return policy


class _KnowingPolicy(Policy):
    def __init__(self, policy: Policy, sun: Truth, draws: Truth) -> None:
        self._sun, self._draws = sun, draws
        super().__init__(policy.store, policy.half_hours, policy.likeness, policy.end_worth)

    def _walk(self) -> None:
        if self._sun or self._draws:
            self._quiet = set()  # a half hour without a draw in the past may have one
        super()._walk()

    def _stepped(self, worth: Worth, half_hour: HalfHour, scenario: Scenario) -> Worth:
        slot, key = half_hour.slot, (half_hour.day, half_hour.slot)
        moment = _Moment(
            {slot: self._sun.get(key, scenario.surplus_wh[slot])}, {slot: self._draws.get(key, scenario.drawn_wh[slot])}
        )
        return super()._stepped(worth, half_hour, moment)  # type: ignore[arg-type]
