"""How long each rule decided, of the ledger's notes of changed orders."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from accounting.ledger.records import DecisionRow
from rules.model.orders import Order


@dataclass(frozen=True, slots=True)
class Decided:
    """Seconds by the rule that decided; withheld_s: of them, those in which the heater was withheld; known_s: all."""

    by_rule_s: Mapping[str, float]
    withheld_s: Mapping[str, float]
    known_s: float


def decided(
    standing: Iterable[DecisionRow], rows: Sequence[DecisionRow], from_s: float, to_s: float, heater: str
) -> Decided:
    """What decided one heater's orders in [from_s, to_s), UTC seconds.

    standing: the notes that stood at from_s; rows: those of the time itself, ascending. Before the first note nothing
    is known. While the daemon did not run, the last note counts on: the ledger does not say that it did not.
    """
    by_rule_s: dict[str, float] = {}
    withheld_s: dict[str, float] = {}
    own = [row for row in (*standing, *rows) if row.heater == heater and row.at_s < to_s]
    ends = [*(row.at_s for row in own[1:]), to_s]
    for row, end_s in zip(own, ends, strict=False):
        stood_s = max(0.0, end_s - max(row.at_s, from_s))
        by_rule_s[row.guard] = by_rule_s.get(row.guard, 0.0) + stood_s
        if row.order is Order.WITHHOLD:
            withheld_s[row.guard] = withheld_s.get(row.guard, 0.0) + stood_s
    return Decided(by_rule_s, withheld_s, sum(by_rule_s.values()))
