"""The guards, one small module each, in the order of precedence: the first that does not allow decides.

Each is a module with what `rules.guards.guard.Guard` lists: it judges, it says the same in words, and it gives the next
instant at which time alone may change its answer.

To add a guard: write its module, give it its settings, and put it into GUARDS below, at its rank and with its power.
The decision, the explanation and the deadlines follow from this list.

The hard guards come first: no order that is required after them, the owner's override included, can defeat them. A
guard that requires has the last word over all that stand below it: one that is to give way to the owner stands below
`override`, and as only one heater may be on in most homes, below `together`. None of this is a safety device: it ranks
below the tank's control thermostat, and that below its manual-reset cut-out.
"""

from rules.guards import (
    alternate,
    away,
    battery,
    fresh,
    full,
    homecoming,
    hygiene,
    limit,
    override,
    planned,
    rest,
    surplus,
    together,
    worth,
    yielding,
)
from rules.guards.guard import Power
from rules.guards.precedence import Precedence

GUARDS = Precedence(
    (limit, Power.HARD),
    (fresh, Power.HARD),
    (full, Power.HARD),
    (override, Power.REQUIRING),
    (together, Power.SOFT),
    (homecoming, Power.REQUIRING),
    (away, Power.SOFT),
    # The rank of what requires `heat` for the house's own purpose: what stands below is about surplus.
    (hygiene, Power.REQUIRING),
    (planned, Power.REQUIRING),
    (battery, Power.SOFT),
    (yielding, Power.SOFT),
    (alternate, Power.SOFT),
    (worth, Power.SOFT),
    (surplus, Power.SOFT),
    (rest, Power.SOFT),
)
"""The order of precedence, and what each guard may do."""
