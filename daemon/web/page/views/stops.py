"""The last verified stop: when the heater was stopped because the tank was full, and its meter then showed nothing.

The decision is the ledger's own note; the proof is the tape, where each minute's last reading is kept.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from accounting.ledger.records import DecisionRow
from accounting.ledger.tape import Row
from rules.model.orders import Order
from rules.model.wording import Number, Stored, say

WITHIN_S = 600.0
"""How long after the order the meter may take to show it."""
BY_LEVEL = "full"


@dataclass(frozen=True, slots=True)
class Stop:
    """A stop that a meter confirms. at_s, verified_s: UTC seconds of the order and of the reading that shows it."""

    heater: str
    at_s: float
    verified_s: float
    sentence: str
    proof: str


def full_stops(decisions: Sequence[DecisionRow]) -> list[DecisionRow]:
    """Those that stopped a heater which was on, because the tank was full: the newest first."""
    on: dict[str, bool] = {}
    stops = []
    for row in decisions:
        if row.order is Order.WITHHOLD and row.guard == BY_LEVEL and on.get(row.heater):
            stops.append(row)
        on[row.heater] = row.order is not Order.WITHHOLD
    return stops[::-1]


def verified(
    row: DecisionRow, rows: Sequence[Row], power: str | None, counter: str | None, idle_w: float
) -> Stop | None:
    """The stop, if a meter shows within WITHIN_S that the heater took nothing any more; None if none does.

    rows: the tape's minutes around it, ascending; power, counter: the heater's signals (None: it has none). A counter
    proves it by two readings a minute or more apart that tell the same; idle_w: below this a heater takes nothing, W.
    """
    stood: float | None = None
    for end_s, values in rows:
        # A minute's reading is dated by the minute's end: the whole minute must lie behind the order.
        if not row.at_s + 60 <= end_s <= row.at_s + WITHIN_S:
            continue
        if power is not None and power in values and abs(values[power]) < idle_w:
            return Stop(
                row.heater,
                row.at_s,
                end_s,
                Stored(row.why),
                say("Its meter showed {power}", power=Number(f"{values[power]:.0f} W")),
            )
        if power is None and counter is not None and counter in values:
            if stood is not None and values[counter] == stood:
                return Stop(row.heater, row.at_s, end_s, Stored(row.why), say("Its counter stood still"))
            stood = values[counter]
    return None
