"""What the measurements share: rounds that take turns, and a table.

The scripts are run as `python tests/bench/NAME.py`; importing this module lets them import from the whole repository.
"""

import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import ceil
from pathlib import Path
from statistics import median

REPOSITORY = Path(__file__).resolve().parents[2]
if str(REPOSITORY) not in sys.path:
    sys.path.insert(1, str(REPOSITORY))


@dataclass(frozen=True, slots=True)
class Row:
    """A line of the table. measured, floor: in `unit`; aim: the bound of measured ÷ floor, or of measured alone.

    floor None: the aim is an absolute one. at_least: the aim is a lower bound.
    """

    what: str
    measured: float
    unit: str
    floor: float | None = None
    aim: float | None = None
    at_least: bool = False

    @property
    def judged(self) -> float:
        return self.measured if self.floor is None else self.measured / self.floor

    @property
    def met(self) -> bool | None:
        """Whether the aim is met; None without one."""
        if self.aim is None:
            return None
        return self.judged >= self.aim if self.at_least else self.judged <= self.aim


def show(title: str, rows: Sequence[Row]) -> None:
    """Print the rows as a table."""
    width = max(len(row.what) for row in rows)
    print(f"\n{title}\n{'':<{width}} {'measured':>13} {'floor':>13} {'ratio':>7}  aim")
    for row in rows:
        floor = "" if row.floor is None else f"{_figure(row.floor)} {row.unit}"
        ratio = "" if row.floor is None else f"{row.judged:.2f}"
        aim = ""
        if row.aim is not None:
            sign, unit = ("≥" if row.at_least else "≤"), (f" {row.unit}" if row.floor is None else "")
            aim = f"{sign} {row.aim:g}{unit}: {'met' if row.met else 'MISSED'}"
        print(
            f"{row.what:<{width}} {_figure(row.measured) + ' ' + row.unit:>13} {floor:>13} {ratio:>7}  {aim}".rstrip()
        )
    sys.stdout.flush()


def _figure(value: float) -> str:
    """Three digits that count, or whole numbers."""
    return f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.3g}"


def seconds(work: Callable[[], object]) -> float:
    """How long `work` takes, s."""
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def in_turn(rounds: int, works: Sequence[Callable[[], float]]) -> list[float]:
    """The median of what each of `works` measures over the rounds, in which they take turns."""
    results: list[list[float]] = [[] for _ in works]
    for _ in range(rounds):
        for result, work in zip(results, works, strict=True):
            result.append(work())
    return [median(result) for result in results]


def percentile(values: Sequence[float], percent: float) -> float:
    """The least value that is not exceeded by `percent` % of the values (nearest rank)."""
    return sorted(values)[max(ceil(percent / 100 * len(values)) - 1, 0)]
