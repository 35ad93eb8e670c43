"""Days with diversion against days without: a known effect is found within its range, none is said to be none."""

from datetime import date, timedelta
from math import isclose

import numpy as np
import pytest

from accounting.reports.days_paid import DaysPaid, Paid
from accounting.reports.written_comparison import Binding, Pair
from accounting.verdict.fair_comparison import (
    FairComparison,
    by_chance,
    difference,
    fair_comparison,
    half_width,
    pairs_needed,
)
from daemon.web.languages.language import language
from rules.planning.alternation import blocks

FIRST = date(2026, 3, 1)


def bound(pairs: int, seed: int = 1, **changes: int) -> Binding:
    order = blocks(FIRST, pairs, 4, seed)
    found = []
    for one, other in zip(order[::2], order[1::2], strict=True):
        on, off = (one, other) if one.on else (other, one)
        found.append(Pair(*(tuple(side.first + timedelta(days=n) for n in (1, 2, 3)) for side in (on, off))))
    return Binding(tuple(found), **{"late": 0, "changed": 0, "ahead": 0, "block_days": 4, **changes})


def drawn(order: Binding, effect: float, seed: int, scatter: float = 0.15) -> dict[date, Paid]:
    """Days with a season, weather that lasts, and scatter; diverting takes the effect off."""
    chance = np.random.default_rng([seed, 77])
    on = {day for pair in order.pairs for day in pair.on}
    paid, weather = {}, 0.0
    for place in range(len(order.pairs) * 8):
        day = FIRST + timedelta(days=place)
        weather = 0.6 * weather + float(chance.normal(0, scatter))
        money = 1.2 - 0.4 * np.sin(place / 58) + weather - (effect if day in on else 0.0)
        paid[day] = Paid(money, money / 0.25)
    return paid


def found(order: Binding, paid: dict[date, Paid]) -> FairComparison:
    answer = fair_comparison(order, DaysPaid(paid, "not heard", {}))
    assert isinstance(answer, FairComparison)
    return answer


@pytest.mark.parametrize("effect", [0.0, 0.25, -0.2])
def test_the_range_holds_a_known_effect_about_as_often_as_it_says(effect: float) -> None:
    held = 0
    for seed in range(200):
        order = bound(10, seed)
        saved = found(order, drawn(order, effect, seed)).main.saved.per_day
        held += saved.low <= effect <= saved.high
    assert 170 <= held <= 192  # 90 % of 200: four standard deviations would be 17


def test_a_clear_effect_is_shown_and_none_is_said_to_be_none() -> None:
    order = bound(12)
    assert found(order, drawn(order, 0.5, 3)).shows
    shown = sum(found(bound(12, seed), drawn(bound(12, seed), 0.0, seed)).shows for seed in range(60))
    assert shown <= 15  # one in ten by chance


def test_both_ways_of_measuring_stand_beside_each_other() -> None:
    order = bound(6)
    quiet, noisy = drawn(order, 0.3, 1), drawn(order, 0.3, 2, scatter=0.8)
    answer = fair_comparison(order, DaysPaid(quiet, noisy, {order.pairs[0].off[0]: 1.5, order.pairs[0].on[0]: 4.0}))
    assert isinstance(answer, FairComparison)
    assert not isinstance(answer.beside, str)
    assert (answer.main.what, answer.beside.what) == ("tank", "meters")
    assert answer.sun_off_kwh == 1.5
    assert (answer.main.days_on, answer.main.days_off) == (18, 18)


def test_a_pair_of_which_too_little_was_measured_is_left_out_and_counted() -> None:
    order = bound(6)
    paid = drawn(order, 0.3, 1)
    for day in order.pairs[2].on[:2]:
        del paid[day]
    answer = found(order, paid)
    assert (answer.main.pairs, answer.thin) == (5, 1)


def test_without_pairs_it_says_what_is_missing() -> None:
    nothing = DaysPaid({}, {}, {})
    assert "no pair of blocks is over yet" in str(fair_comparison(Binding((), 0, 0, 3, 4), nothing))
    assert "before they were written down" in str(fair_comparison(Binding((), 2, 0, 0, 4), nothing))
    order = bound(2)
    assert "2 pairs of blocks are over" in str(fair_comparison(order, DaysPaid(drawn(order, 0.1, 1), "x", {})))
    assert fair_comparison(order, DaysPaid("no tank", "no meter", {})) == "no tank; no meter"


def test_what_is_missing_is_said_in_another_language_with_all_of_its_parts() -> None:
    order = bound(2)
    missing = fair_comparison(order, DaysPaid(drawn(order, 0.1, 1), {}, {}, {order.pairs[0].on[0]: 2.0}))
    said = str(language("de").say(missing))
    assert "Tage bleiben beim Speicher außen vor: 2,0 kWh" in said
    assert "pairs of blocks" not in said


def test_weeks_to_go_are_those_after_which_the_range_is_so_narrow() -> None:
    order = bound(8)
    answer = found(order, drawn(order, 0.1, 5))
    sd, present = answer.main.saved.sd, answer.main.saved.per_day
    assert answer.weeks_more(present.high - present.value + 1e-9) == 0
    wished = (present.high - present.value) / 2
    pairs = pairs_needed(sd, wished)
    assert pairs is not None
    assert half_width(sd, pairs) <= wished < half_width(sd, pairs - 1)
    weeks = answer.weeks_more(wished)
    assert weeks is not None
    assert isclose(weeks, (pairs - 8) * 8 / 7)
    assert answer.weeks_more(sd / 1000) is None


def test_many_pairs_are_judged_by_students_test() -> None:
    chance = np.random.default_rng(4)
    pairs = chance.normal(0.3, 1.0, 18)
    exact = by_chance(pairs.tolist())
    doubled = by_chance(np.concatenate([pairs, pairs]).tolist())
    assert 0 < doubled < exact < 1
    assert by_chance([0.0] * 30) == 1.0
    assert by_chance([1.0] * 30) == 0.0


def test_the_standard_deviation_is_of_the_pairs() -> None:
    assert difference([1.0, 3.0]).sd == pytest.approx(2**0.5)
