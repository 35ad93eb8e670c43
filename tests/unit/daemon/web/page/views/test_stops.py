"""The last verified stop, and how long each rule decided: of the ledger's notes and the tape."""

import pytest

from accounting.ledger import DecisionRow
from accounting.ledger.tape import Row
from daemon.web.page.views.deciding import decided
from daemon.web.page.views.stops import full_stops, verified
from rules.model.orders import Finding, Order, Verdict

WITHHOLD, SURPLUS = Order.WITHHOLD, Order.SURPLUS


def note(at_s: float, order: Order, guard: str, heater: str = "main") -> DecisionRow:
    sentence = "Heater off: tank 95 %, full since 13:10; resumes below 88 %"
    found = (Finding(guard, Verdict.FORBID, "tank 95 %, full since 13:10", "resumes below 88 %"),)
    return DecisionRow(at_s, heater, order, None, guard, sentence, "resumes below 88 %", found)


def test_only_a_stop_of_what_was_on_by_a_full_tank_counts() -> None:
    rows = [
        note(0, WITHHOLD, "full"),  # it was not on
        note(100, SURPLUS, "surplus"),
        note(200, WITHHOLD, "battery"),  # not by the level
        note(300, WITHHOLD, "full"),  # stopped already
        note(400, SURPLUS, "surplus"),
        note(450, SURPLUS, "surplus", "upper"),
        note(500, WITHHOLD, "full"),
        note(600, SURPLUS, "surplus"),
        note(700, WITHHOLD, "full"),
    ]
    assert [row.at_s for row in full_stops(rows)] == [700, 500]


def watts(*minutes: tuple[int, float]) -> list[Row]:
    return [(at_s, {"diverted_w": value}) for at_s, value in minutes]


@pytest.mark.parametrize(
    ("rows", "at_s"),
    [
        (watts((60, 2000), (120, 0), (180, 0)), 120),
        (watts((60, 2000), (120, 1500), (180, 12.0)), 180),
        (watts((60, 0)), None),  # the minute in which it was told, told nothing of after
        (watts((120, 2000), (600, 2000)), None),  # it went on
        (watts((960, 0)), None),  # too late to be its doing
        ([], None),
    ],
)
def test_a_stop_is_verified_by_power_soon_after(rows: list[Row], at_s: int | None) -> None:
    stop = verified(note(30, WITHHOLD, "full"), rows, "diverted_w", "diverted_wh", 30.0)
    assert (stop.verified_s if stop is not None else None) == at_s
    if stop is not None:
        assert stop.sentence == "tank 95 %, full since 13:10"


def test_a_stop_is_verified_by_a_counter_that_stands_still() -> None:
    def counted(*values: float) -> list[Row]:
        return [(120 + 60 * place, {"diverted_wh": value}) for place, value in enumerate(values)]

    def at_s(rows: list[Row]) -> float | None:
        stop = verified(note(0, WITHHOLD, "full"), rows, None, "diverted_wh", 30.0)
        return stop.verified_s if stop is not None else None

    assert at_s(counted(100, 101, 101)) == 240
    assert at_s(counted(100, 101, 102)) is None
    assert at_s(counted(100)) is None


def test_what_decided_is_counted_from_what_stood_to_the_end() -> None:
    standing = [note(-500, SURPLUS, "surplus"), note(-900, WITHHOLD, "rest", "upper")]
    rows = [note(100, WITHHOLD, "full"), note(150, WITHHOLD, "rest", "upper"), note(400, SURPLUS, "surplus")]
    found = decided(standing, rows, 0, 1000, "main")
    assert found.by_rule_s == {"surplus": 700.0, "full": 300.0}
    assert found.withheld_s == {"full": 300.0}
    assert found.known_s == 1000


def test_before_the_first_note_nothing_is_known() -> None:
    found = decided([], [note(600, WITHHOLD, "full"), note(2000, SURPLUS, "surplus")], 0, 1000, "main")
    assert found.by_rule_s == {"full": 400.0}
    assert found.known_s == 400
    assert decided([], [], 0, 1000, "main").known_s == 0
