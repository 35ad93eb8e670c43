"""The shares of what an interval's heat displaced, as an entry keeps them: "2/5 gas boiler, 3/5 night electricity".

A source's name may hold a comma, but not what would begin another share: a comma, a space and a number.
"""

import re
from collections.abc import Iterable
from fractions import Fraction

_BETWEEN = re.compile(r", (?=\d+(?:/\d+)? )")


def is_divisible(source: str) -> bool:
    """Whether a source's name would be read as two: "hut, 2 boilers"."""
    return _BETWEEN.search(source) is not None


def shares_text(shares: Iterable[tuple[Fraction, str]]) -> str:
    """What an entry keeps of the shares, (share, source); those of nothing are left out."""
    return ", ".join(f"{share} {source}" for share, source in shares if share)


def shares_of(kept: str) -> list[tuple[Fraction, str]]:
    """The shares that an entry keeps, (share, source); none of "", which displaced nothing."""
    parts = (part.partition(" ") for part in _BETWEEN.split(kept) if part)
    return [(Fraction(share), source) for share, _, source in parts]
