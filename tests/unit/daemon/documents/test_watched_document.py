"""What the rules would have changed, from a ledger to JSON and sentences."""

from pathlib import Path

from accounting.ledger import Batch, DecisionRow, EventRow
from accounting.ledger.tape import pack
from daemon.documents.value_document import value_answer
from daemon.documents.valuing import home_value
from daemon.documents.watched_document import watched_answer, watched_sentences
from rules.model.orders import Order
from tests.support.homes import SMALL, TWO_HEATERS, home
from tests.support.ledgers import HALF_HOUR_S, START_S, entry, new_ledger

_MINUTES = 60


def test_an_hour_that_was_watched(tmp_path: Path) -> None:
    rows = [
        (int(START_S) + minute * 60, {"diverted_wh": 1000.0 + 20.0 * minute, "grid_w": -300.0})
        for minute in range(_MINUTES + 1)
    ]
    watching = EventRow(START_S, "mode", "note", "watching", {"mode": "watch"})
    decided = (
        DecisionRow(START_S, "main", Order.SURPLUS, None, "surplus", "said"),
        DecisionRow(START_S + 1800, "main", Order.WITHHOLD, None, "full", "said"),
    )
    house = home(SMALL)
    with new_ledger(tmp_path) as ledger:
        entries = tuple(entry(place) for place in range(2))
        ledger.commit(Batch(START_S + 3600, entries, decisions=decided, events=(watching,), tape=pack(rows)))
        assert watched_answer(ledger, house, START_S - 7200, START_S) is None
        answer = watched_answer(ledger, house, START_S, START_S + 2 * HALF_HOUR_S)
        valued = home_value(ledger, house, "day")
    assert answer is not None
    (one,) = answer["heaters"]
    # The rows of [start, end): the last step ends a minute before the hour does.
    assert one["would_permit"] == {"seconds": 1800, "taken_kwh": 0.6, "left_kwh": 0.15}
    assert one["would_withhold"] == {"seconds": 1740, "taken_kwh": 0.58, "left_kwh": 0.145}
    assert one["withheld_by"] == {"full": one["would_withhold"]}
    assert (one["watched_s"], one["unknown_s"]) == (3600, 60)
    first, last = watched_sentences(answer)[0], watched_sentences(answer)[-1]
    assert "would have permitted it for 30 min: it took 0.600 kWh then, and 0.150 kWh more" in first
    assert "(by deciding rule: full 0.580)" in first
    assert "It is no forecast" in last
    told = value_answer(valued, house)
    assert told["watched"] == answer
    assert told["notes"][0] == first


def test_a_long_time_is_read_a_few_days_at_a_time_and_gives_the_same_figures(tmp_path: Path) -> None:
    """A heater that takes 20 Wh every ten minutes for three weeks, over every seam between the stretches read."""
    days = 21
    rows = [
        (int(START_S) + 600 * step, {"diverted_wh": 1000.0 + 20.0 * step, "grid_w": -300.0})
        for step in range(days * 144 + 1)
    ]
    watching = EventRow(START_S, "mode", "note", "watching", {"mode": "watch"})
    decided = (DecisionRow(START_S, "main", Order.SURPLUS, None, "surplus", "said"),)
    with new_ledger(tmp_path) as ledger:
        ledger.commit(Batch(START_S, decisions=decided, events=(watching,)))
        for day in range(days + 1):
            part = rows[day * 144 : day * 144 + 144]
            ledger.commit(Batch(START_S + day, tape=pack(part)))
        asked = []
        tape = ledger.tape
        ledger.tape = lambda from_s, to_s: asked.append(to_s - from_s) or tape(from_s, to_s)  # type: ignore[method-assign]
        answer = watched_answer(ledger, home(SMALL), START_S, START_S + days * 86_400 + 1)
    assert answer is not None
    assert answer["heaters"][0]["would_permit"]["taken_kwh"] == 20 * 144 * days / 1000
    assert answer["heaters"][0]["unknown_s"] <= 1
    assert len(asked) > 1
    assert max(asked) <= 7 * 86_400


def test_the_tape_is_read_once_for_all_heaters(tmp_path: Path) -> None:
    rows = [
        (
            int(START_S) + minute * 60,
            {"diverted_wh_lower": 10.0 * minute, "diverted_w_upper": 1200.0, "surplus_w": 300.0},
        )
        for minute in range(_MINUTES + 1)
    ]
    watching = EventRow(START_S, "mode", "note", "watching", {"mode": "watch"})
    decided = tuple(DecisionRow(START_S, name, Order.SURPLUS, None, "surplus", "said") for name in ("lower", "upper"))
    with new_ledger(tmp_path) as ledger:
        ledger.commit(Batch(START_S + 3600, decisions=decided, events=(watching,), tape=pack(rows)))
        asked = []
        tape = ledger.tape
        ledger.tape = lambda from_s, to_s: asked.append(from_s) or tape(from_s, to_s)  # type: ignore[method-assign]
        answer = watched_answer(ledger, home(TWO_HEATERS), START_S, START_S + 3601)
    assert answer is not None
    taken = {one["heater"]: one["would_permit"]["taken_kwh"] for one in answer["heaters"]}
    assert taken == {"lower": 0.6, "upper": 1.2}
    assert asked == [START_S]


def test_a_house_that_was_never_watched_says_nothing_of_it(tmp_path: Path) -> None:
    with new_ledger(tmp_path) as ledger:
        ledger.commit(Batch(START_S + HALF_HOUR_S, (entry(0),)))
        valued = home_value(ledger, home(SMALL), "day")
    assert valued.watched is None
    assert watched_sentences(None) == []
