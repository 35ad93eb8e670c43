"""How far today, as it has gone so far, is like each day of the past, measured by what is to be expected from there.

Two days are alike at a half hour where the predictions for them are alike: of the rest of the day's sun, the next day's
sun, the draws of the next three and the next twelve hours. Each prediction is a weighted ridge regression on what had
been seen by then. What had been seen but predicts nothing makes no difference between days.
"""

from collections.abc import Mapping, Sequence
from math import exp

from rules.planning.forecast import Expected, fit
from rules.planning.past import Scenario, kind_of, running_sums
from rules.planning.regression import Regression, regress
from rules.planning.store import HALF_HOURS_A_DAY
from rules.planning.tuning import Tuning

SOON, LATER = 6, 24
"""Half hours over which draws are predicted."""
RECENT_SUN, RECENT_DRAWS = 4, 6
NEVER = 1e9
"""The distance of a scenario from itself: it may not follow its own course, for that would be to know what comes."""


class Likeness:
    """Shares of the scenarios at each half hour of a day, given a day that has come so far."""

    def __init__(
        self, scenarios: Sequence[Scenario], tuning: Tuning, forecasts: Mapping[int, Expected] | None = None
    ) -> None:
        """scenarios: at least one; forecasts: of the surplus, by day number."""
        self.forecasts = forecasts or {}
        self.scenarios = scenarios
        self.tuning = tuning
        total = sum(scenario.weight for scenario in scenarios)
        self._weights = [scenario.weight / total for scenario in scenarios]
        self._seen = [
            seen(s.weekday, s.before_surplus_wh, s.before_drawn_wh, s.surplus_wh, s.drawn_wh) for s in scenarios
        ]
        self._regressions: list[list[Regression]] = []
        self._predictions: list[list[tuple[float, ...]]] = []
        self._fit()
        self._bases: dict[tuple[int, int | None], list[float]] = {}
        self._rows: dict[tuple[int, int, int | None], list[list[float]]] = {}
        self.usual_totals = (
            sum(w * sum(s.surplus_wh) for w, s in zip(self._weights, scenarios, strict=True)),
            sum(w * sum(s.drawn_wh) for w, s in zip(self._weights, scenarios, strict=True)),
        )

    def _fit(self) -> None:
        """Regressions and predictions of every half hour, and last those for the day after."""
        days = self.scenarios
        following = {scenario.number: scenario for scenario in days}
        nexts = [following.get(scenario.number + 1, scenario) for scenario in days]
        next_sun = [sum(scenario.surplus_wh) for scenario in nexts]
        drawn_sums = [
            [0.0, *running_sums(day.drawn_wh + after.drawn_wh)] for day, after in zip(days, nexts, strict=True)
        ]
        sun_sums = [running_sums(day.surplus_wh) for day in days]
        for slot in range(HALF_HOURS_A_DAY):
            sun = [seen[0][slot] for seen in self._seen]
            draws = [seen[1][slot] for seen in self._seen]
            rest = [sums[-1] - sums[slot] for sums in sun_sums]
            soon = [sums[slot + 1 + SOON] - sums[slot + 1] for sums in drawn_sums]
            later = [sums[slot + 1 + LATER] - sums[slot + 1] for sums in drawn_sums]
            self._note(sun, [rest, next_sun], draws, [soon, later])
        # Across midnight: from the whole day before to the day.
        sun = [(day.before_surplus_wh,) for day in days]
        draws = [(float(kind_of(day.weekday) > 0), day.before_drawn_wh) for day in days]
        morning = [sum(day.drawn_wh[:LATER]) for day in days]
        self._note(sun, [[sums[-1] for sums in sun_sums]], draws, [morning])

    def _note(
        self,
        sun: Sequence[Sequence[float]],
        sun_targets: Sequence[Sequence[float]],
        draws: Sequence[Sequence[float]],
        draw_targets: Sequence[Sequence[float]],
    ) -> None:
        ridge = self.tuning.ridge
        by_sun = regress(list(zip(*sun, strict=True)), sun_targets, self._weights, ridge)
        by_draws = regress(list(zip(*draws, strict=True)), draw_targets, self._weights, ridge)
        regressions = by_sun + by_draws
        self._regressions.append(regressions)
        self._predictions.append([self._predict(len(self._predictions), s, d) for s, d in zip(sun, draws, strict=True)])

    def _predict(self, at: int, sun: Sequence[float], draws: Sequence[float]) -> tuple[float, ...]:
        """Predictions in units of their residual standard deviation, divided by the width."""
        regressions = self._regressions[at]
        half = len(regressions) // 2
        return tuple(
            regression.predict(sun if place < half else draws) / (self.tuning.width * regression.residual_sd)
            if regression.residual_sd > 1e-6
            else 0.0
            for place, regression in enumerate(regressions)
        )

    def _base(self, day: int, weekday: int) -> list[float]:
        """Weights for a day before anything of it was seen: age, kind of day, and the forecast where there is one."""
        key = kind_of(weekday), day if day in self.forecasts else None
        if key not in self._bases:
            forecast = self.forecasts.get(day)
            self._bases[key] = [
                weight
                * (1.0 if kind_of(scenario.weekday) == key[0] else self.tuning.other_kind)
                * (1.0 if forecast is None else fit(sum(scenario.surplus_wh), self.usual_totals[0], forecast))
                for weight, scenario in zip(self._weights, self.scenarios, strict=True)
            ]
        return self._bases[key]

    def rows(self, slot: int, day: int, weekday: int) -> list[list[float]]:
        """For each scenario standing for a day at a half hour, the shares of all at the next.

        slot 48: across midnight, into that day.
        """
        key = (slot, kind_of(weekday), day if day in self.forecasts else None)
        if key not in self._rows:
            self._rows[key] = self._make_rows(slot, weekday, self._base(day, weekday))
        return self._rows[key]

    def _make_rows(self, slot: int, weekday: int, base: Sequence[float]) -> list[list[float]]:
        targets = self._predictions[slot]
        if slot < HALF_HOURS_A_DAY:
            found = []
            for at, predicted in enumerate(targets):
                far = _distances(predicted, targets)
                if len(far) > 1:
                    far[at] = NEVER
                found.append(_shares(far, base))
            return found
        return [
            _shares(_distances(self._after(weekday, sum(day.surplus_wh), sum(day.drawn_wh)), targets), base)
            for day in self.scenarios
        ]

    def _after(self, weekday: int, surplus_wh: float, drawn_wh: float) -> tuple[float, ...]:
        """The predictions from a whole day for the next, which is a `weekday`."""
        return self._predict(HALF_HOURS_A_DAY, (surplus_wh,), (float(kind_of(weekday) > 0), drawn_wh))

    def of_today(
        self,
        here: tuple[int, int, int],
        before: tuple[float, float],
        surplus_wh: Sequence[float],
        drawn_wh: Sequence[float],
    ) -> list[float]:
        """Shares of the scenarios for a day that has come so far.

        here: its day, weekday and slot; before: the totals of the day before it, Wh; surplus_wh, drawn_wh: of each
        half hour up to the slot.
        """
        day, weekday, slot = here
        sun, draws = seen(weekday, before[0], before[1], surplus_wh, drawn_wh)
        predicted = self._predict(slot, sun[slot], draws[slot])
        return _shares(_distances(predicted, self._predictions[slot]), self._base(day, weekday))

    def across_midnight(self, day: int, weekday: int, surplus_wh: float, drawn_wh: float) -> list[float]:
        """Shares of the scenarios for a day, given the totals of the day before it."""
        predicted = self._after(weekday, surplus_wh, drawn_wh)
        return _shares(_distances(predicted, self._predictions[HALF_HOURS_A_DAY]), self._base(day, weekday))


def _distances(predicted: Sequence[float], targets: Sequence[Sequence[float]]) -> list[float]:
    """Half the squared distance of a day's predictions from each scenario's."""
    if len(predicted) == 4:
        a, b, c, d = predicted
        return [((a - e) ** 2 + (b - f) ** 2 + (c - g) ** 2 + (d - h) ** 2) / 2 for e, f, g, h in targets]
    a, b = predicted
    return [((a - e) ** 2 + (b - f) ** 2) / 2 for e, f in targets]


def _shares(far: Sequence[float], base: Sequence[float]) -> list[float]:
    """Shares adding to 1, falling with the distance from the nearest."""
    near = min(far)
    shares = [weight * exp(near - distance) for weight, distance in zip(base, far, strict=True)]
    scale = 1.0 / sum(shares)
    return [share * scale for share in shares]


def seen(
    weekday: int,
    before_surplus_wh: float,
    before_drawn_wh: float,
    surplus_wh: Sequence[float],
    drawn_wh: Sequence[float],
) -> tuple[list[tuple[float, ...]], list[tuple[float, ...]]]:
    """What of sun and of draws is known at each half hour so far: the columns of the regressions."""
    weekend = float(kind_of(weekday) > 0)
    sun: list[tuple[float, ...]] = [
        (before_surplus_wh, so_far, recent)
        for so_far, recent in zip(running_sums(surplus_wh), running_sums(surplus_wh, RECENT_SUN), strict=True)
    ]
    draws: list[tuple[float, ...]] = [
        (weekend, before_drawn_wh, so_far, recent)
        for so_far, recent in zip(running_sums(drawn_wh), running_sums(drawn_wh, RECENT_DRAWS), strict=True)
    ]
    return sun, draws
