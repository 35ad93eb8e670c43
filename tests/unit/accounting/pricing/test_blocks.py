from fractions import Fraction

import pytest

from accounting.pricing.blocks import Block, last_block

BLOCKS = (Block(Fraction(100), Fraction("0.20")), Block(Fraction(300), Fraction("0.30")), Block(None, Fraction("0.45")))


@pytest.mark.parametrize(
    ("month_kwh", "place"), [("0", 0), ("99.5", 0), ("100", 0), ("100.001", 1), ("300", 1), ("300.001", 2), ("9999", 2)]
)
def test_a_kwh_not_bought_is_the_months_last(month_kwh: str, place: int) -> None:
    assert last_block(BLOCKS, Fraction(month_kwh)) == place


def cost(month_kwh: Fraction) -> Fraction:
    """What a month costs, block by block."""
    total, before = Fraction(0), Fraction(0)
    for block in BLOCKS:
        end = month_kwh if block.up_to_kwh is None else min(month_kwh, block.up_to_kwh)
        total += max(Fraction(0), end - before) * block.price
        before = block.up_to_kwh if block.up_to_kwh is not None else end
    return total


@pytest.mark.parametrize("month_kwh", [1, 50, 100, 101, 250, 300, 301, 1000])
def test_its_price_is_what_the_bill_falls_by(month_kwh: int) -> None:
    saved = cost(Fraction(month_kwh)) - cost(Fraction(month_kwh) - Fraction(1, 1000))
    assert saved == BLOCKS[last_block(BLOCKS, Fraction(month_kwh))].price / 1000


def test_blocks_that_end_have_no_answer_beyond() -> None:
    with pytest.raises(ValueError, match="without end"):
        last_block(BLOCKS[:2], Fraction(301))
