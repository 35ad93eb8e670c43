"""The guards, one small module each, in the order of precedence: the first that does not allow decides.

Each module has what `rules.guards.guard.Guard` lists: it judges, it gives its judgement in words, and it gives the next
instant at which time alone may change its answer.

To add a guard: write its module, give it its settings, and put it into GUARDS below, at its rank and with its power.
The decision, the explanation and the deadlines follow from this list.

The hard guards come first: no order that is required after them can defeat them, not even the owner's override. A guard
that requires an order overrules all guards below it. So a guard that must give way to the owner stands below
`override`, and, because in most homes only one heater may be on, below `together`. None of this is a safety device: it
ranks below the tank's control thermostat, and that ranks below the manual-reset cut-out.
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
    # Guards that require `heat` for the house's own purpose. The guards below them are about surplus.
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
