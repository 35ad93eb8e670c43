"""Prices in blocks of a month's consumption."""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction


@dataclass(frozen=True, slots=True)
class Block:
    """A price per kWh for what a month takes up to `up_to_kwh` in all (None: without end)."""

    up_to_kwh: Fraction | None
    price: Fraction


def last_block(blocks: Sequence[Block], month_kwh: Fraction) -> int:
    """The place, from 0, of the block that a month's last kWh is in.

    A kWh that need not be bought, whatever its day, saves the price of this one: the month ends one kWh lower.
    blocks: ascending, the last without end; month_kwh: what the whole month takes. At a block's very end it is still
    that block, for a kWh less is one of its own.
    """
    for place, block in enumerate(blocks):
        if block.up_to_kwh is None or month_kwh <= block.up_to_kwh:
            return place
    raise ValueError("expected a last block without end")
