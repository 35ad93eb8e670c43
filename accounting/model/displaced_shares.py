"""The shares of what an interval's heat displaced, as an entry keeps them: "2/5 gas boiler, 3/5 night electricity"."""

from collections.abc import Iterable
from fractions import Fraction


def shares_text(shares: Iterable[tuple[Fraction, str]]) -> str:
    """What an entry keeps of the shares, (share, source); those of nothing are left out."""
    return ", ".join(f"{share} {source}" for share, source in shares if share)


def shares_of(kept: str) -> list[tuple[Fraction, str]]:
    """The shares that an entry keeps, (share, source); none of "", which displaced nothing."""
    parts = (part.partition(" ") for part in kept.split(", ") if part)
    return [(Fraction(share), source) for share, _, source in parts]
