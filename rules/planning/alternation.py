"""Which days of a fair comparison divert and which do not: pairs of blocks of days, in an order left to chance.

A randomised block design: the two blocks of a pair lie side by side, so that both have much the same season, and chance
alone decides which comes first, so that nothing known beforehand can favour one of them. Source: Box,
Hunter and Hunter, Statistics for Experimenters, 2nd edition, chapters 3 and 4 (from memory).
"""

from dataclasses import dataclass
from datetime import date, timedelta
from hashlib import sha256


@dataclass(frozen=True, slots=True)
class Block:
    """Days that are all alike. pair: counted from 1; on: whether they divert; first: its first local day; until: the
    first local day no longer in it."""

    pair: int
    on: bool
    first: date
    until: date


def blocks(first: date, pairs: int, block_days: int, seed: int) -> tuple[Block, ...]:
    """The blocks in order of time, two to a pair; the same for the same seed, for ever.

    first: local day on which the first one begins; block_days: length of each.
    """
    found: list[Block] = []
    for pair in range(1, pairs + 1):
        begins_on = _begins_on(seed, pair)
        for on in (begins_on, not begins_on):
            start = first + timedelta(days=block_days * len(found))
            found.append(Block(pair, on, start, start + timedelta(days=block_days)))
    return tuple(found)


def _begins_on(seed: int, pair: int) -> bool:
    """The toss of a coin: the lowest bit of a digest, which no release of Python changes."""
    return sha256(f"{seed}:{pair}".encode()).digest()[-1] % 2 == 1
