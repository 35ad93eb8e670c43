"""The regular work besides control, and what of it waits for a clock that is right."""

from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from daemon.runtime.housekeeping import DAY_S, Housekeeping
from tests.support.homes import SMALL, home
from tests.support.live_house import Hands, LiveHouse

NOON_S = datetime(2026, 6, 1, 12, tzinfo=UTC).timestamp()


def test_by_a_clock_that_is_doubted_nothing_of_the_past_is_let_go(tmp_path: Path) -> None:
    """Years ahead all of it would seem too old."""
    clock, pruned = Hands(NOON_S), []
    with LiveHouse(tmp_path, clock) as house:
        nobody: Any = SimpleNamespace(home=home(SMALL))
        housekeeping = Housekeeping(house.controller, nobody, nobody, nobody, None, None)
        house.keeper.prune = lambda *until_s: pruned.append(until_s)  # type: ignore[method-assign]
        clock.set(10 * 366 * DAY_S)
        house.settle()
        assert not house.controller.dating.right
        housekeeping.prune(clock.now())
        assert pruned == []
        clock.set(-10 * 366 * DAY_S)
        house.settle()
        housekeeping.prune(clock.now())
        assert [max(until_s) < NOON_S for until_s in pruned] == [True]
