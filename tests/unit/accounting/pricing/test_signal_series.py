from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from accounting.pricing.signal_series import KEPT_S, HeardSeries
from accounting.pricing.tariffs import HORIZON_DAYS, Piece


def heard(*rows: tuple[float, float], stale_after_s: float = 600, times: str = "1") -> HeardSeries:
    series = HeardSeries("import_price", stale_after_s, times=Fraction(times))
    for at_s, value in rows:
        series.note(at_s, value)
    return series


def test_a_value_counts_from_when_it_was_told_until_the_next() -> None:
    series = heard((1000.7, 0.1), (1300, -0.02))
    assert series.price_at(999) is None
    assert series.price_at(1000) == Fraction("0.1"), "by whole seconds"
    assert series.price_at(1299.9) == Fraction("0.1")
    assert series.mean_price(1200, 1400) == Fraction("0.04")


def test_a_value_that_grew_stale_no_longer_counts() -> None:
    series = heard((1000, 0.1), (1700, 0.2))
    assert series.price_at(1599) == Fraction("0.1")
    assert series.price_at(1600) is None
    assert series.pieces(900, 1800) == [
        Piece(900, 1000, None, None),
        Piece(1000, 1600, None, Fraction("0.1")),
        Piece(1600, 1700, None, None),
        Piece(1700, 1800, None, Fraction("0.2")),
    ]
    assert series.mean_price(1500, 1750) is None
    assert series.pieces(1610, 1620) == [Piece(1610, 1620, None, None)]
    assert heard().pieces(0, 10) == [Piece(0, 10, None, None)]


def test_the_next_change_is_the_next_value_or_the_end_of_this_one() -> None:
    series = heard((1000, 0.1), (1300, 0.2))
    assert [series.next_change(at) for at in (0, 1000, 1300, 1800)] == [1000, 1300, 1900, 1900]
    assert series.next_change(1900) == 1900 + HORIZON_DAYS * 86_400


def test_tax_is_added_exactly() -> None:
    assert heard((0, 0.1), times="1.05").price_at(0) == Fraction("0.105")


def test_what_comes_late_is_put_in_its_place_and_what_comes_too_late_is_not() -> None:
    series = heard((1000, 0.1), (1200, 0.3), (1100, 0.2), (1000, 0.4), (1079, 9))
    assert [series.price_at(at) for at in (1000, 1100, 1200)] == [Fraction("0.1"), Fraction("0.2"), Fraction("0.3")]
    again = heard((1000, 0.1), (1000, 0.4))
    assert again.price_at(1000) == Fraction("0.4")


def test_the_same_value_again_and_again_takes_no_room() -> None:
    series = heard(*((at, 0.1 if at < 40_000 else 0.2) for at in range(0, 80_000, 10)), stale_after_s=300)
    assert len(series.state()) < 700
    assert series.mean_price(0, 80_000) == Fraction("0.15")


def test_old_values_are_let_go_but_not_the_one_that_still_holds() -> None:
    series = heard((0, 1), (100, 2), (KEPT_S + 150, 3), stale_after_s=10 * KEPT_S)
    assert series.price_at(50) is None
    assert series.price_at(150) == 2


def test_it_goes_on_from_its_state_and_after_a_clock_set_back() -> None:
    series = heard((1000, 0.1), (1500, 0.2))
    later = heard()
    later.restore(series.state())
    assert later.pieces(900, 2200) == series.pieces(900, 2200)
    series.set_back(400)
    series.note(1110, 0.7)
    assert [series.price_at(at) for at in (1100, 1110, 1500)] == [Fraction("0.1"), Fraction("0.7"), Fraction("0.7")]


@given(
    st.lists(st.tuples(st.integers(0, 50), st.sampled_from((0.1, 0.2))), min_size=1, max_size=60),
    st.integers(1, 200),
    st.randoms(use_true_random=False),
)
def test_thinning_and_a_little_disorder_change_nothing(steps: list[tuple[int, float]], hold_s: int, chance) -> None:  # type: ignore[no-untyped-def]
    at_s, rows = 0, []
    for step, value in steps:
        at_s += step + 1
        rows.append((at_s, value))
    told = sorted(rows, key=lambda row: row[0] + chance.randint(0, 119))
    made = heard(*told, stale_after_s=hold_s)

    def plainly(second: int) -> Fraction | None:
        past = [row for row in rows if row[0] <= second]
        return Fraction(str(past[-1][1])) if past and second < past[-1][0] + hold_s else None

    for piece in made.pieces(0, at_s + 300):
        for second in {piece.start_s, piece.end_s - 1}:
            assert piece.price == plainly(second), second
    assert [made.price_at(second) for second in range(0, at_s + 300, 7)] == [
        plainly(second) for second in range(0, at_s + 300, 7)
    ]


@pytest.mark.parametrize("text", ["0.1", "-0.0023", "1e-05", "12345.678901"])
def test_the_decimal_told_is_kept_exactly(text: str) -> None:
    assert heard((0, float(text))).price_at(0) == Fraction(text)
