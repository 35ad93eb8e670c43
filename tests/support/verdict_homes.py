"""Homes whose saving is known: hot water simulated day by day, read as bills and meters would read it.

Not the model that is fitted: people's use drifts and jumps, mains water has weather, a boiler is not the same every
month, reads are rounded, and the energy of each period is off by more than a normal law would have it.
"""

from dataclasses import dataclass, field, replace
from datetime import date, timedelta

import numpy as np

from accounting.verdict.history import History, Period

INSTALLED = date(2025, 3, 1)


@dataclass(frozen=True)
class Recipe:
    """What a home is drawn from. lengths: days of the periods before and after; scatter: of a period's energy beyond
    what its drivers say (a share); tails: degrees of freedom of its Student law (0: normal)."""

    before: tuple[int, ...]
    after: tuple[int, ...]
    scatter: float = 0.05
    tails: float = 5.0
    carriers: str = "any"
    saving: str = "any"
    knows: tuple[str, ...] = ("water_l", "away_days", "inlet_c")
    water_change: tuple[float, float] = (0.75, 1.3)
    loss_while_away: float = 0.0
    rounding: str = "any"
    spoil: str = ""
    extra: dict[str, float] = field(default_factory=dict)


def months(count: int) -> tuple[int, ...]:
    return tuple(int(days) for days in np.resize([31, 30, 31, 30, 31, 31, 30, 31, 30, 31, 31, 28], count))


RECIPES = {
    "3+3": Recipe(months(3), months(3)),
    "6+6": Recipe(months(6), months(6)),
    "12+12": Recipe(months(12), months(12)),
    "uneven": Recipe((62, 21, 45, 90, 33), (40, 14, 75, 28)),
}


@dataclass(frozen=True)
class Home:
    """A drawn home: its history, the day the hardware came, what it truly saved (kWh bought), by carrier too."""

    history: History
    installed: date
    saved_kwh: float
    by_carrier: dict[str, float]
    tank_hot_c: float
    efficiency: float


def draw(recipe: Recipe, seed: int) -> Home:
    """A home of a recipe; the same for the same seed."""
    rng = np.random.default_rng([seed, 20251])
    start_day = int(rng.integers(0, 365))
    installed = INSTALLED + timedelta(days=start_day)
    lengths = (*recipe.before, *recipe.after)
    first = installed - timedelta(days=sum(recipe.before))
    total = sum(lengths)
    day = np.arange(total)
    of_year = np.array([(first + timedelta(days=int(d))).timetuple().tm_yday for d in day])
    is_after = day >= sum(recipe.before)
    # How people draw water.
    people = rng.integers(1, 6)
    per_day = people * rng.uniform(25, 50)
    habit = np.zeros(total)
    for d in range(1, total):
        habit[d] = 0.8 * habit[d - 1] + rng.normal(0, 0.12)
    warm = np.cos(2 * np.pi * (of_year - 212) / 365)
    litres = per_day * np.exp(habit - 0.06) * (1 - rng.uniform(0, 0.12) * warm)
    litres *= np.where(is_after, rng.uniform(*recipe.water_change), 1.0)
    if "water_step" in recipe.extra:
        at = int(rng.integers(total // 4, 3 * total // 4))
        litres[at:] *= recipe.extra["water_step"]
    guests = rng.random(total) < 0.02
    litres[guests] *= 1.8
    away = np.zeros(total, dtype=bool)
    for _ in range(rng.poisson(total / 70)):
        at = int(rng.integers(0, total))
        away[at : at + int(rng.integers(2, 16))] = True
    litres[away] = 0.0
    # What heating it takes.
    hot = rng.normal(58, 3)
    inlet = rng.uniform(9, 12) + rng.uniform(3.5, 6) * warm + rng.normal(0, 0.8, total)
    loss = rng.uniform(1.0, 2.6) * np.where(away, recipe.loss_while_away, 1.0)
    heat = litres * 1.163e-3 * (hot - inlet) + loss
    # Who makes it.
    kind = recipe.carriers if recipe.carriers != "any" else str(rng.choice(["electricity", "gas", "mixed"]))
    electric = {"electricity": 1.0, "gas": 0.0}.get(kind, rng.uniform(0.15, 0.6))
    efficiency = rng.uniform(0.72, 0.88)
    mode = recipe.saving if recipe.saving != "any" else str(rng.choice(["sun", "share", "zero", "negative"]))
    sun = np.maximum(0.0, (0.55 + 0.42 * warm)) * rng.gamma(1.5, 0.67, total) * rng.uniform(1, 6) * is_after
    share_saved = rng.uniform(0.05, 0.6) if mode == "share" else -rng.uniform(0.03, 0.15) if mode == "negative" else 0
    periods, saved = [], {"electricity": 0.0, "gas": 0.0}
    at = 0
    for index, length in enumerate(lengths):
        piece = slice(at, at + length)
        at += length
        began = first + timedelta(days=at - length)
        after = index >= len(recipe.before)
        shock = rng.standard_t(recipe.tails) * (1 - 2 / recipe.tails) ** 0.5 if recipe.tails else rng.normal()
        growth = (30.4 / length) ** recipe.extra.get("growth", 0.3)
        need = heat[piece] * (1 + recipe.scatter * growth * shock)
        if recipe.spoil == "boiler" and index >= int(recipe.extra["boiler_at"] * len(lengths)):
            need = need * 0.88
        taken = need.sum()
        if after:
            given = np.minimum(sun[piece], 0.9 * np.maximum(need, 0)).sum() if mode == "sun" else share_saved * taken
        else:
            given = 0.0
        share = float(np.clip(electric + (rng.normal(0, 0.04) if kind == "mixed" else 0), 0, 1))
        eff = efficiency * (1 + rng.normal(0, 0.01))
        energy = {"electricity": (taken - given) * share, "gas": (taken - given) * (1 - share) / eff}
        saved["electricity"] += given * share
        saved["gas"] += given * (1 - share) / eff
        period = Period(
            began,
            began + timedelta(days=length),
            index + 2,
            electricity_kwh=energy["electricity"] if kind != "gas" else None,
            gas_kwh=energy["gas"] if kind != "electricity" else None,
            water_l=float(litres[piece].sum() * (1 + rng.normal(0, 0.01))) if "water_l" in recipe.knows else None,
            away_days=float(away[piece].sum()) if "away_days" in recipe.knows else None,
            inlet_c=round(float(inlet[piece].mean()), 1) if "inlet_c" in recipe.knows else None,
            diverted_kwh=round(given, 1) if "diverted_kwh" in recipe.knows and after else None,
        )
        periods.append(_rounded(period, recipe, rng))
    if recipe.spoil == "read":
        index = int(rng.integers(0, len(periods)))
        factor = rng.choice([0.5, 1.6])
        bad = periods[index]
        periods[index] = replace(
            bad,
            electricity_kwh=None if bad.electricity_kwh is None else bad.electricity_kwh * factor,
            gas_kwh=None if bad.gas_kwh is None else bad.gas_kwh * factor,
        )
    present = {name: value for name, value in saved.items() if kind == "mixed" or name == kind}
    history = History("drawn.csv", tuple(periods), ("from", "to"))
    return Home(history, installed, sum(present.values()), present, hot, efficiency)


def _rounded(period: Period, recipe: Recipe, rng: np.random.Generator) -> Period:
    how = recipe.rounding if recipe.rounding != "any" else str(rng.choice(["kwh", "tenth", "m3"]))
    electricity, gas = period.electricity_kwh, period.gas_kwh
    if electricity is not None:
        electricity = round(electricity, 1 if how == "tenth" else 0)
    if gas is not None:
        gas = round(gas / 11.2) * 11.2 if how == "m3" else round(gas, 1 if how == "tenth" else 0)
    water = None if period.water_l is None else float(round(period.water_l, -1))
    return replace(period, electricity_kwh=electricity, gas_kwh=gas, water_l=water)
