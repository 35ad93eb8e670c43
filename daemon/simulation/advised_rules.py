"""Advice about a rule, replayed on the home's own tape before it is given; what the tape cannot show is not advised.

The rule `worth`, where it is off: the ledger has what diverting lost in the intervals in which selling paid more; the
last recorded days with such an interval are replayed with the rule on, and the advice stands if the rule would have
withheld then. `reckon_apart` has the whole verdict with it reckoned in a process of its own, for the page.
"""

import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from accounting.ledger import Ledger
from accounting.ledger.tape import unpack
from daemon.config.load import load
from daemon.config.model import Home
from daemon.documents.value_document import lacking_carbon
from daemon.documents.verdict_reckoning import OP, need_libraries, reckon
from daemon.simulation.apart import Apart, Teller, work
from daemon.simulation.backtest import compare
from rules.model.errors import BrimfulError

DAYS = 3
"""How much of the tape is replayed: seconds, not minutes."""
LONGEST_S = 60.0
"""How long the verdict may take in a process of its own."""
_DAY_S = 86_400
_YEAR_S = 365 * _DAY_S
_LEAST_S = 60.0  # of another order, in the replay


def advised_rules(home: Home, ledger: Ledger) -> tuple[list[dict[str, Any]], list[str]]:
    """Advice as `brimful.verdict/1` has it, and what to know of what is not advised. Raises BrimfulError."""
    from accounting.verdict.advice import WORTH_SAYING  # with the libraries of the verdict, which no daemon imports

    known_s = ledger.known_until_s()
    if home.rules.worth.enabled or known_s is None:
        return [], []
    losing = ledger.losing(known_s - _YEAR_S, known_s)
    lost = losing.lost_micro / 1e6
    if lost < WORTH_SAYING:
        return [], []
    to_s = losing.last_s // _DAY_S * _DAY_S + _DAY_S
    from_s = to_s - DAYS * _DAY_S
    rows = unpack(ledger.tape(from_s, to_s), from_s, to_s)
    money = home.home.currency
    said = f"Diverting sun while selling paid more lost {lost:,.2f} {money} in the last year of the books"
    if len(rows) < 2:
        kept = f"no recorded minutes are left of such a day (ledger.tape_days = {home.ledger.tape_days})"
        return [], [f"{said}. Whether the rule `worth` would have stopped it could not be replayed: {kept}."]
    on = home.rules.worth.model_copy(update={"enabled": True})
    changed = home.model_copy(update={"rules": home.rules.model_copy(update={"worth": on})})
    found = compare(home, changed, rows, past=ledger)
    less_s = found.before.by_order_s.get("surplus", 0.0) - found.after.by_order_s.get("surplus", 0.0)
    if found.after.by_rule_s.get("worth", 0.0) < _LEAST_S or less_s < _LEAST_S:
        return [], [f"{said}. Replayed on the home's tape, the rule `worth` would not have stopped it: not advised."]
    advice = {
        "say": f"Set [rules.worth] enabled = true. {said}; replayed on {DAYS} days of the home's tape, the rule would "
        f"have withheld {less_s / 60:,.0f} minutes more.",
        "per_year": lost,
        "kg_per_year": None if lacking_carbon(home) else losing.lost_mg / 1e6,
        "flips_if": "selling no longer pays more than the heat at any hour",
        "about": "worth",
        "at_most": True,
    }
    return [advice], []


def reckon_apart(file: Path) -> dict[str, Any]:
    """The verdict of a home file, reckoned in a process of its own; whoever calls waits. Raises BrimfulError."""
    apart = Apart(__name__, {"file": str(file.resolve())}, LONGEST_S)
    apart.wait(2 * LONGEST_S)  # it is ended after the one
    if apart.found is None:
        raise BrimfulError(OP, "verdict", apart.fault or f"expected an answer within {LONGEST_S:g} s, got none")
    return apart.found


def _reckoned(order: Mapping[str, Any], teller: Teller) -> Mapping[str, Any]:
    need_libraries()
    return reckon(load(Path(order["file"])), None, None, None, advised=advised_rules)


if __name__ == "__main__":
    work(sys.stdin, sys.stdout, _reckoned)
