"""The night game over our own cells: the planner against perfect foresight and against fixed settings in hindsight.

python tests/bench/bench_night_game.py --all plays every home on every tariff, twice as many cells.
"""

import sys

from measure import REPOSITORY

from tests.bench import night_game, night_game_cases
from tests.bench.night_case import read_case

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


def main(every: bool) -> None:
    assert str(REPOSITORY) in sys.path
    cells = [cell for cell in night_game_cases.cells() if every or cell.name in USUAL]
    for held_out, title in ((False, "cells for tuning"), (True, "cells held out")):
        results = {}
        for cell in cells:
            if cell.held_out == held_out:
                case = read_case(night_game_cases.write(cell, night_game_cases.CACHE))
                results[cell.name] = night_game.play(case)
        print(f"\nthe night game, {title}; costs in money, ÷: by foresight's\n{night_game.table(results)}", flush=True)


if __name__ == "__main__":
    main("--all" in sys.argv[1:])
