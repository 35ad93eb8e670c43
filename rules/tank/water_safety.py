"""Published figures on Legionella in stored hot water, and on how fast hot water burns. Each names its source.

They say what is usual. Local rules come first, and software ranks below thermostat, cut-out and mixing valve.
"""

from collections.abc import Mapping
from math import exp, log
from types import MappingProxyType

from rules.model.wording import say

STORE_C = 60.0
"""Store hot water at this or more, °C: Health and Safety Executive (UK), HSG274 part 2."""
WHOLE_TANK_SHARE = 0.9
"""At least this share of the volume at STORE_C, for 32 minutes within 7 days: AS/NZS 3498 clause 7.1(j), read in a
secondary copy."""

DECIMAL_REDUCTION_S: Mapping[float, float] = MappingProxyType({50.0: 380 * 60.0, 55.0: 13.93 * 60.0, 60.0: 2 * 60.0})
"""Time in which nine of ten Legionella die, s, by temperature, °C: Sanden and others, 1989, read in a secondary table;
at 60 °C not its 0.74 min but the cautious 2 min in use."""
WANTED_REDUCTIONS = 5.0
"""Powers of ten that a disinfection by heat is to reach: common practice (10 min at 60 °C by the cautious figure)."""

BURN_S: Mapping[float, float] = MappingProxyType({49.0: 480.0, 55.0: 17.0, 60.0: 3.0})
"""Time to a second-degree burn, s, by water temperature, °C: after Moritz and Henriques, 1947, in a secondary table."""
SCALD = say(
    "Water at {store} °C burns in about {seconds} seconds: have a mixing valve at the outlets",
    store=f"{STORE_C:g}",
    seconds=f"{BURN_S[STORE_C]:.0f}",
)
"""What to say wherever water is made that hot."""


def reductions(at_c: float, hold_s: float) -> float:
    """By how many powers of ten Legionella fall in water held at at_c (°C, 50 or more) for hold_s.

    Between the table's temperatures the logarithm of the time is linear; above 60 °C it counts as 60. Raises ValueError
    below 50 °C, where they may not die at all.
    """
    temps_c = sorted(DECIMAL_REDUCTION_S)
    if at_c < temps_c[0]:
        raise ValueError(f"expected {temps_c[0]} °C or more, got {at_c}")
    at_c = min(at_c, temps_c[-1])
    low_c = max(temp_c for temp_c in temps_c[:-1] if temp_c <= at_c)
    high_c = temps_c[temps_c.index(low_c) + 1]
    low, high = log(DECIMAL_REDUCTION_S[low_c]), log(DECIMAL_REDUCTION_S[high_c])
    return hold_s / exp(low + (high - low) * (at_c - low_c) / (high_c - low_c))
