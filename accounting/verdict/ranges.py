"""What the modules of the verdict share: arrays of numbers, and a figure with its range."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

CONFIDENCE = 0.9
"""The chance with which the ranges hold what they are of."""


@dataclass(frozen=True, slots=True)
class Range:
    """A figure and the range that holds it with `CONFIDENCE`."""

    value: float
    low: float
    high: float
