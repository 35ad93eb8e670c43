"""The next instant at which a UTC second is reached, for the guards' deadlines."""

import pytest

from rules.guards.guard import NEVER_S, next_edge_s
from tests.support.rules_case import START_UTC_S, moment


@pytest.mark.parametrize(
    ("edges", "next_s"),
    [((), NEVER_S), ((30.0, 20.0, -5.0), 20.0), ((0.0, -5.0), NEVER_S), ((float("inf"), 40.0), 40.0)],
)
def test_the_first_edge_still_to_come_whatever_their_order(edges: tuple[float, ...], next_s: float) -> None:
    at_s = 1_000.0
    found = next_edge_s([START_UTC_S + at_s + edge_s for edge_s in edges], moment(at_s))
    assert found == pytest.approx(at_s + next_s)
