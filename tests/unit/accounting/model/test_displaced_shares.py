"""What an entry keeps of the shares reads back as the very shares."""

from fractions import Fraction

from accounting.model.displaced_shares import is_divisible, shares_of, shares_text


def test_shares_read_back_exactly_and_nothing_is_left_out_but_nothing() -> None:
    shares = [(Fraction(2, 5), "gas boiler"), (Fraction(0), "heat pump"), (Fraction(3, 5), "night electricity")]
    assert shares_text(shares) == "2/5 gas boiler, 3/5 night electricity"
    assert shares_of(shares_text(shares)) == [shares[0], shares[2]]
    assert shares_of(shares_text([(Fraction(1), "gas")])) == [(Fraction(1), "gas")]
    assert shares_of("") == []


def test_a_name_may_hold_a_comma() -> None:
    shares = [(Fraction(2, 5), "gas, old boiler"), (Fraction(3, 5), "night, 2nd meter")]
    assert shares_of(shares_text(shares)) == shares
    assert not is_divisible("gas, old boiler")
    assert is_divisible("hut, 2 boilers")
