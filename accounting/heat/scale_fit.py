"""How much heat a home's level stands for, from how it rises while a known heat goes in.

While heaters put in E, the level rises by E / (heat of a full tank): less where a draw falls into the time or the water
being heated is not yet hot enough to count, more where it just becomes so. So the rise for a Wh is taken over short
stretches, and where these crowd closest is the plain case. (The half-sample mode, after D. R. Bickel, Computational
Statistics & Data Analysis 39, 2002, quoted from memory; here with a quarter of the sample, once.)
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import hypot, sqrt

from accounting.heat.loss_fit import student
from accounting.heat.metered_heat import MeteredHeat
from accounting.ledger.tape import Row
from accounting.valuation.settings import TankBooks

STRETCH_WH = 250.0
"""Heat that goes in over one stretch, at least: many counts of a counter."""
_STEPS = 8
"""Steps that the level takes in it, at least."""
LONGEST_S = 1800
"""A stretch that takes longer is no heating."""
LEAST_RUNS = 4
BREAK_S = 600
"""A pause of the heaters after which another run begins."""
PLAUSIBLE = 2.5
"""A full tank that holds so many times more, or less, than stated is none."""
_TOP_PCT = 99.5
"""From here a level may stand still though the tank takes more."""
_CROWD, _NEAR = 0.25, 0.06
_FINEST = 0.005
"""What the method itself misses, a share: tried on the demo's house, whose tank is known."""
_ROUNDED = 0.41
"""Standard error of the difference of two readings, each rounded to a step: the square root of 2/12."""
Stretch = tuple[float, float]
"""Heat that stayed, Wh; rise of the level, %."""


@dataclass(frozen=True, slots=True)
class Scale:
    """What a full level holds, Wh. low_wh, high_wh: where it lies with 95 % confidence; runs: what it rests on."""

    full_wh: float
    low_wh: float
    high_wh: float
    runs: int


def fit_scale(rows: Iterable[Row], tank: TankBooks, loss_w: float) -> Scale | None:
    """The scale that recorded minutes show; None if there are too few runs of the heaters.

    tank: as the home file states it; loss_w: about what the tank loses meanwhile. The standard error
    is the jackknife's over the runs, and no less than half a percent and what the level's steps leave open of a run
    that all runs may have alike; the interval is Student's. It does not include errors of the heater's own counter.
    """
    stated_wh = tank.full_wh
    heated = heating_runs(rows, tank)
    step_pct = _step_pct(heated)
    stretch_wh = max(STRETCH_WH, _STEPS * step_pct / 100.0 * stated_wh)
    tolerance = max(_NEAR, step_pct / (100.0 * stretch_wh / stated_wh))
    runs = [
        [
            (wh, pct)
            for wh, pct in _stretches(run, stretch_wh, loss_w)
            if pct > 0 and _is_plausible(100.0 * wh / pct, stated_wh)
        ]
        for run in heated
    ]
    rises = sorted(pct / wh for run in runs for wh, pct in run)
    many = max(int(len(rises) * _CROWD), 3)
    if len(rises) < many:
        return None
    place = min(range(len(rises) - many + 1), key=lambda i: rises[i + many - 1] - rises[i])
    crowd = rises[place : place + many]
    middle = sum(crowd) / many
    near = [[(wh, pct) for wh, pct in run if abs(pct / wh / middle - 1) <= tolerance] for run in runs]
    parts = [(sum(wh for wh, _ in run), sum(pct for _, pct in run)) for run in near if run]
    count = len(parts)
    if count < LEAST_RUNS:
        return None
    whole_wh, whole_pct = (sum(part[kind] for part in parts) for kind in (0, 1))
    full_wh = 100.0 * whole_wh / whole_pct
    without = [100.0 * (whole_wh - wh) / (whole_pct - pct) for wh, pct in parts]
    error = sqrt((count - 1) / count * sum((other - full_wh) ** 2 for other in without))
    of_rounding = _ROUNDED * step_pct * count / whole_pct
    within = student(count - 1) * max(error, hypot(_FINEST, of_rounding) * full_wh)
    return Scale(full_wh, full_wh - within, full_wh + within, count)


def _is_plausible(full_wh: float, stated_wh: float) -> bool:
    return stated_wh / PLAUSIBLE < full_wh < stated_wh * PLAUSIBLE


def heating_runs(rows: Iterable[Row], tank: TankBooks) -> list[list[tuple[int, float, float]]]:
    """(UTC second, Wh put in so far, level in %) of each run of the heaters, minute by minute."""
    heat = MeteredHeat(tank)
    runs: list[list[tuple[int, float, float]]] = []
    put_in, level, moved_s, under_way = 0.0, None, -BREAK_S - 1, False
    for at_s, values in rows:
        for _, gained_wh in heat.gains(values):
            put_in += gained_wh
            moved_s = at_s
        level = values.get("tank_level_pct", level)
        if at_s - moved_s > BREAK_S:
            under_way = False
        elif level is not None and level < _TOP_PCT:
            if not under_way:
                runs.append([])
                under_way = True
            runs[-1].append((at_s, put_in, level))
    return runs


def _step_pct(runs: Iterable[Sequence[tuple[int, float, float]]]) -> float:
    """The level's step, %: the least that two of its values differ by."""
    shown = sorted({level for run in runs for _, _, level in run})
    return min((high - low for low, high in pairwise(shown)), default=0.0)


def _stretches(run: Sequence[tuple[int, float, float]], stretch_wh: float, loss_w: float) -> list[Stretch]:
    found, begun = [], run[0]
    for at_s, put_in, level in run:
        from_s, from_wh, from_pct = begun
        if at_s - from_s > LONGEST_S:
            begun = at_s, put_in, level
        elif put_in - from_wh >= stretch_wh:
            found.append((put_in - from_wh - loss_w * (at_s - from_s) / 3600.0, level - from_pct))
            begun = at_s, put_in, level
    return found
