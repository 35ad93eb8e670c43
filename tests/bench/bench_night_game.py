"""The night game over our own cells: the planner against perfect foresight and against fixed settings in hindsight."""

import sys

from measure import REPOSITORY

from tests.bench import night_game, night_game_cases
from tests.bench.night_case import read_case


def main() -> None:
    assert str(REPOSITORY) in sys.path
    for held_out, title in ((False, "cells for tuning"), (True, "cells held out")):
        results = {}
        for cell in night_game_cases.cells():
            if cell.held_out == held_out:
                case = read_case(night_game_cases.write(cell, night_game_cases.CACHE))
                results[cell.name] = night_game.play(case)
        print(
            f"\nthe night game, {title}; costs in money, ÷: divided by foresight's\n{night_game.table(results)}",
            flush=True,
        )


if __name__ == "__main__":
    main()
