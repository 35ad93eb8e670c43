"""Shares by the home's own past: exact, whole, and the same whenever they are asked for."""

from dataclasses import replace
from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from accounting.valuation.historical_shares import APART, MonthHeat, Past, PastShares, by_past
from tests.support.prices import GAS_HEAT, NIGHT_HEAT, ZONE, settings

FIRST = 2024 * 12
SOURCES = (
    replace(NIGHT_HEAT, share=Fraction("0.5"), recorded="grid", band=None),
    replace(GAS_HEAT, share=Fraction("0.3"), recorded="boiler"),
    replace(GAS_HEAT, source="wood", share=Fraction("0.2")),
)
BOOKS = replace(settings(), displaces=SOURCES, past_timezone=ZONE)

heats = st.builds(
    MonthHeat,
    st.integers(0, 100).map(lambda pct: Fraction(pct, 100)),
    st.dictionaries(st.sampled_from(("grid", "grid:night", "boiler", "sun", "battery")), st.integers(0, 400_000)),
)
pasts = st.dictionaries(st.integers(FIRST, FIRST + 36), heats)
months = st.integers(FIRST, FIRST + 48)
seconds = st.integers(1_704_067_200, 1_830_297_600)


@given(pasts, months)
def test_shares_of_every_month_add_up_to_one_exactly(past: Past, month: int) -> None:
    found = PastShares(SOURCES, past, ZONE).of(month)
    assert sum(found.shares) == 1
    assert all(share >= 0 for share in found.shares)
    assert found.shares[2] == Fraction("0.2")


@given(pasts, pasts, months)
def test_what_comes_later_changes_nothing(past: Past, later: Past, month: int) -> None:
    """So the living daemon, a replay and a restatement years later find the same shares."""
    then = {known: heat for known, heat in past.items() if known <= month - APART}
    now = {known: heat for known, heat in later.items() if known > month - APART} | then
    assert PastShares(SOURCES, then, ZONE).of(month) == PastShares(SOURCES, now, ZONE).of(month)


@given(pasts, seconds, st.integers(1, 40 * 86_400), st.fractions(0, 1))
def test_a_span_cut_anywhere_has_the_same_mean(past: Past, start_s: int, length_s: int, where: Fraction) -> None:
    cut_s = start_s + round(length_s * where)
    for source in by_past(BOOKS, past).displaces:
        whole = source.share_over(start_s, start_s + length_s) * length_s
        parts = [(start_s, cut_s), (cut_s, start_s + length_s)]
        assert whole == sum(source.share_over(*part) * (part[1] - part[0]) for part in parts if part[0] < part[1])
