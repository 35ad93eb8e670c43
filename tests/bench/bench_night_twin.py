"""The night game on the tank's twin: the plan, fixed levels and foresight's schedule, with the minutes of cold taps.

python tests/bench/bench_night_twin.py [--days N] [CELL …] plays whole cells of bench_night_game.py; five unless named.
"""

import argparse
import sys
from datetime import timedelta

from measure import REPOSITORY

from tests.bench import night_game_cases
from tests.bench.night_case import read_case
from tests.bench.night_game_cases import GAS, Cell
from tests.bench.night_twin import TwinHouse, play_all, table

USUAL = (
    "family-night-boiler",
    "recorded-1-dynamic-boiler",
    "couple-night-none",
    "family-dynamic-none",
    "large-flat-none",
)
DAYS = 30


def house_of(cell: Cell, days: int) -> TwinHouse:
    """The cell's first days on the twin."""
    home = cell.home()
    until = home.rows[0][0] + timedelta(days=days)
    case = read_case(night_game_cases.write(cell, night_game_cases.CACHE), until)
    return TwinHouse(case, home.timezone, boiler=cell.boiler_price == GAS)


def main() -> None:
    assert str(REPOSITORY) in sys.path
    cells = {cell.name: cell for cell in night_game_cases.cells()}
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("cells", nargs="*", metavar="CELL")
    parser.add_argument("--days", type=int, default=DAYS, help="how many days of each are played")
    asked = parser.parse_args()
    if unknown := set(asked.cells) - set(cells):
        parser.error(f"expected cells of bench_night_game.py --all, got {', '.join(sorted(unknown))}")
    for name in asked.cells or USUAL:
        print(f"\n{name}\n{table(play_all(house_of(cells[name], asked.days)))}", flush=True)


if __name__ == "__main__":
    main()
