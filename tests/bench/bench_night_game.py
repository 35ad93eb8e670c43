"""The night game over our own cells: the planner against perfect foresight and against fixed settings in hindsight.

python tests/bench/bench_night_game.py --all plays every home on every tariff, twice as many cells. With --sun-days or
--draw-days the planner knows the sun or the draws of so many days beforehand, today the first: that shows what not
knowing them costs, and is no result of the plan.
"""

import argparse
import sys

from measure import REPOSITORY

from tests.bench import night_game, night_game_cases
from tests.bench.night_case import read_case
from tests.bench.night_knowing import KnowingPlanner, Known

USUAL = {
    "recorded-1-flat-boiler",
    "recorded-1-night-none",
    "family-night-boiler",
    "family-dynamic-none",
    "couple-dynamic-boiler",
    "couple-high-export-none",
    "recorded-2-night-boiler",
    "recorded-2-dynamic-none",
    "single-flat-boiler",
    "single-night-none",
    "large-flat-none",
    "large-high-export-boiler",
}


def main() -> None:
    assert str(REPOSITORY) in sys.path
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--all", action="store_true", help="play every home on every tariff")
    parser.add_argument("--sun-days", type=int, default=0, help="days whose sun is known beforehand")
    parser.add_argument("--draw-days", type=int, default=0, help="days whose draws are known beforehand")
    asked = parser.parse_args()
    known = Known(asked.sun_days, asked.draw_days)
    cells = [cell for cell in night_game_cases.cells() if asked.all or cell.name in USUAL]
    for held_out, title in ((False, "cells for tuning"), (True, "cells held out")):
        results = {}
        for cell in cells:
            if cell.held_out == held_out:
                case = read_case(night_game_cases.write(cell, night_game_cases.CACHE))
                planner = KnowingPlanner(case, known) if known != Known() else None
                results[cell.name] = night_game.play(case, planner=planner)
        print(f"\nthe night game, {title}; costs in money, ÷: by foresight's\n{night_game.table(results)}", flush=True)


if __name__ == "__main__":
    main()
