"""The home's own standing loss, from how its tank cools while nobody draws and nothing heats.

A tank that is left alone follows ln(T − T_a) = a − (UA / C) t: the mixed tank's closed solution (EnergyPlus engineering
reference). The slope is fitted by least squares over all quiet runs at once, each with an `a` of its own.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from math import log, sqrt
from statistics import fmean
from zoneinfo import ZoneInfo

from accounting.ledger.tape import Row
from accounting.valuation.settings import TankBooks
from rules.model.signals import TEMPERATURES
from rules.tank.charge import mean_c
from rules.tank.cylinder import WH_PER_L_K
from rules.tank.standing_loss import TEST_K

Reading = tuple[float, float]
"""UTC second; mean temperature of the tank, °C."""
Run = Sequence[Reading]

STEP_S = 1800
"""Readings are thinned to this, so that a level's steps do not count as many measurements."""
LEAST_S = 4 * 3600
"""A quiet run's least length."""
SETTLING_S = 3600
"""After heating, the water mixes for so long."""
QUIET_HOURS = range(6)
"""Local hours in which nobody is assumed to draw water, if there is no water meter."""
DRAW_PCT = 1.5
"""A fall by more than this in STEP_S is a draw, %, if there is no water meter: a level of whole percents steps by 1."""
CONFIDENCE = 0.95
_STUDENT = (
    *enumerate((12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228), 1),
    (12, 2.179),
    (15, 2.131),
    (20, 2.086),
    (30, 2.042),
    (60, 2.000),
)
"""From how many degrees of freedom on, and t."""
_FEW_STEPS, _OF_ROUNDING = 1.5, 2 / 3
_LEAST_ABOVE_K = 5.0
_INPUTS = ("diverted_wh", "topup_wh", "boiler_wh", "water_l")


@dataclass(frozen=True, slots=True)
class Loss:
    """A fitted standing loss.

    standard_error: of ua_w_per_k, W/K; runs, hours: what it rests on; low_w_per_k, high_w_per_k: where it lies with a
    confidence of CONFIDENCE (None: a single run does not show how runs differ).
    """

    ua_w_per_k: float
    standard_error: float
    runs: int
    hours: float
    low_w_per_k: float | None = None
    high_w_per_k: float | None = None

    @property
    def loss_w(self) -> float:
        """At 65 °C in a room of 20 °C, as `tank.loss_w` has it, W."""
        return self.ua_w_per_k * TEST_K


def fit(runs: Iterable[Run], wh_per_k: float, ambient_c: float) -> Loss | None:
    """The loss that runs of quiet readings show; None if there are too few readings, or all are of one instant.

    wh_per_k: heat the tank holds per kelvin; ambient_c: around it. The standard error is by runs: levels in steps, and
    whatever else a night has of its own, err alike within a run, so its readings count as one. It is the jackknife's,
    from the slopes with one run left out at a time (B. Efron, The Jackknife, the Bootstrap and Other Resampling Plans,
    1982, chapter 3), or, where that is more, what the readings' steps leave open: runs that begin alike are rounded
    alike, and do not differ though all may be wrong. The interval is Student's with runs − 1 degrees of freedom.
    Neither knows of a wrong ambient temperature. Of one run alone the error is that of ordinary least squares.
    """
    runs = [run for run in runs if len(run) > 1]
    kept = [[(at_s / 3600, log(temp_c - ambient_c)) for at_s, temp_c in run] for run in runs]
    parts = []
    for run in kept:
        mean_h, mean_log = fmean(h for h, _ in run), fmean(y for _, y in run)
        across = sum((h - mean_h) * (y - mean_log) for h, y in run)
        parts.append((across, sum((h - mean_h) ** 2 for h, _ in run), sum((y - mean_log) ** 2 for _, y in run)))
    across, spread, scatter = (sum(part[place] for part in parts) for place in range(3))
    free = sum(len(run) for run in kept) - len(kept) - 1
    if free < 1 or not spread:
        return None
    slope = across / spread
    hours = sum(run[-1][0] - run[0][0] for run in kept)
    ua_w_per_k, count = -slope * wh_per_k, len(kept)
    if count == 1:
        residual = max(0.0, scatter - slope * across) / free
        return Loss(ua_w_per_k, sqrt(residual / spread) * wh_per_k, 1, hours)
    without = [(across - of_run) / (spread - spread_of_run) for of_run, spread_of_run, _ in parts]
    error = sqrt((count - 1) / count * sum((other - slope) ** 2 for other in without)) * wh_per_k
    error = max(error, _by_steps(runs, ambient_c) * wh_per_k)
    within = student(count - 1) * error
    return Loss(ua_w_per_k, error, count, hours, ua_w_per_k - within, ua_w_per_k + within)


def _by_steps(runs: Sequence[Run], ambient_c: float) -> float:
    """What readings in steps leave open of the slope, 1/h.

    A step's rounding is uniform: of a run through a few steps it is as good as independent from reading to reading, of
    one that hardly passes a step it errs one way in the first half and the other way in the second. As many runs
    average as begin at another reading. (An estimate of our own; _OF_ROUNDING makes it fit the tests' simulation.)
    """
    shown = sorted({temp_c for run in runs for _, temp_c in run})
    step_k = min((high - low for low, high in pairwise(shown)), default=0.0)
    squares = []
    for run in runs:
        hours = [at_s / 3600 for at_s, _ in run]
        mean_h = fmean(hours)
        square = sum((h - mean_h) ** 2 for h in hours)
        few = abs(run[0][1] - run[-1][1]) < _FEW_STEPS * step_k
        lever = sum(abs(h - mean_h) for h in hours) / square if few else 1 / sqrt(square)
        above_k = fmean(temp_c for _, temp_c in run) - ambient_c
        squares.append((_OF_ROUNDING * step_k / sqrt(12) / above_k * lever) ** 2)
    return sqrt(fmean(squares) / len({run[0][1] for run in runs}))


def student(free: int) -> float:
    """Student's t that 95 % lie within on both sides, for so many degrees of freedom. Source: the usual table (quoted
    from memory, checked against scipy); between its rows the wider."""
    return next(t for least, t in reversed(_STUDENT) if free >= least)


def fit_tape(rows: Iterable[Row], tank: TankBooks, zone: ZoneInfo) -> Loss | None:
    """The loss that recorded minutes show; see `fit` and `quiet_runs`."""
    runs = quiet_runs(rows, tank, zone)
    return fit(runs, WH_PER_L_K * tank.volume_l, tank.ambient_c)


def quiet_runs(rows: Iterable[Row], tank: TankBooks, zone: ZoneInfo) -> list[list[Reading]]:
    """The stretches of recorded minutes in which the tank was left alone.

    No counter of heat or water moved and no heater drew; without a water meter, in QUIET_HOURS and with no fall above
    DRAW_PCT. Small draws at night pass for loss: the figure is then too high.
    """
    latest: dict[str, float] = {}
    runs: list[list[Reading]] = [[]]
    disturbed_s = float("-inf")
    for at_s, values in rows:
        if _moved(latest, values):
            disturbed_s = at_s
        latest.update(values)
        temp_c = _temperature(values, latest, tank)
        if temp_c is None:
            continue
        hour = datetime.fromtimestamp(at_s, zone).hour
        quiet = at_s - disturbed_s >= SETTLING_S and temp_c - tank.ambient_c >= _LEAST_ABOVE_K
        if not quiet or (tank.water is None and hour not in QUIET_HOURS):
            if runs[-1]:
                runs.append([])
            continue
        run = runs[-1]
        if run and at_s - run[-1][0] > 2 * STEP_S:
            runs.append([(at_s, temp_c)])
        elif not run or at_s - run[-1][0] >= STEP_S:
            run.append((at_s, temp_c))
    most_k = (tank.hot_c - tank.cold_c) * DRAW_PCT / 100
    return [run for run in runs if run and run[-1][0] - run[0][0] >= LEAST_S and _undrawn(run, tank, most_k)]


def _undrawn(run: Run, tank: TankBooks, most_k: float) -> bool:
    return tank.water is not None or all(one[1] - other[1] <= most_k for one, other in pairwise(run))


def _moved(latest: dict[str, float], values: dict[str, float]) -> bool:
    """Whether anything heated or drew in the minute."""
    return any(
        (name.startswith("diverted_w") and not name.startswith("diverted_wh") and value > 0)
        or (name.startswith(_INPUTS) and name in latest and value != latest[name])
        for name, value in values.items()
    )


def _temperature(values: dict[str, float], latest: dict[str, float], tank: TankBooks) -> float | None:
    """The tank's mean temperature, as the books count it, if the minute has a new reading for it."""
    if len(tank.temperatures) > 1 or not tank.level:
        if not any(name in values for name in tank.temperatures):
            return None
        return mean_c(*(latest.get(name) if name in tank.temperatures else None for name in TEMPERATURES))
    if "tank_level_pct" not in values:
        return None
    return tank.cold_c + values["tank_level_pct"] / 100 * (tank.hot_c - tank.cold_c)
