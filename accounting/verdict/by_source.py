"""What was avoided, by the source that the heat displaced: energy by the shares that the ledger kept with each entry.

The ledger keeps one amount of money for all sources of an entry. It is divided by what each source's heat costs: share
times price over efficiency, by the day in the middle of each month.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from accounting.ledger.totals import Assumed
from accounting.model.displaced_shares import shares_of
from accounting.reports.value import ValueRow

NOT_DIVIDED = "not divided"
"""The part of months for which the sources' prices are not known; its heat is in the sources' parts."""
_MILLIONTH = 1e-6


@dataclass(frozen=True, slots=True)
class SourcePart:
    """A displaced source, or `NOT_DIVIDED`. heat_kwh: its heat that was not needed; avoided: its part of the money."""

    source: str
    heat_kwh: float
    avoided: float


def by_source(
    rows: Sequence[ValueRow],
    assumed: Iterable[Assumed],
    money_parts: Callable[[int, int], Mapping[str, float]],
    used: float,
    stated: Mapping[str, Fraction],
) -> tuple[SourcePart, ...]:
    """The parts, the dearest first, and what could not be divided: their money adds up to what the rows avoided.

    assumed: what the entries kept; money_parts: by source, its part of what is avoided in [start_s, end_s) UTC seconds,
    adding up to 1 or empty; used: the share of the heat that counts; stated: shares for entries that kept none.
    """
    heat: dict[str, float] = {}
    for kept in assumed:
        shares = (
            stated.items() if kept.displaced is None else ((name, share) for share, name in shares_of(kept.displaced))
        )
        for source, share in shares:
            heat[source] = heat.get(source, 0.0) + kept.wh / 1000 * used * float(share)
    money: dict[str, float] = {}
    for row in rows:
        for source, part in money_parts(row.start_s, row.end_s).items():
            money[source] = money.get(source, 0.0) + row.avoided_micro / 1e6 * part
    parts = [SourcePart(name, heat.get(name, 0.0), money.get(name, 0.0)) for name in {**heat, **money}]
    rest = sum(row.avoided_micro for row in rows) / 1e6 - sum(part.avoided for part in parts)
    left = (SourcePart(NOT_DIVIDED, 0.0, rest),) if abs(rest) > _MILLIONTH / 2 else ()
    return (*sorted(parts, key=lambda part: (-part.avoided, part.source)), *left)
