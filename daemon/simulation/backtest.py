"""A changed home file tried on the tape: the rules as they are and as they would be, over the same recorded minutes.

It runs in a process of its own, for it takes seconds: `Trial` starts it, `python -m daemon.simulation.backtest` is it.
It gives time by order and by deciding rule. It gives no energy: the recorded level and surplus are those of the rules
that applied then, and no replay can know what another rule would have left in the tank.

What really happened is the ledger's to say: the tape keeps one reading a minute, so a replay of the rules as they are
misses what lasted for seconds only. The two replays miss the same, so their difference is what a change does.
"""

import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from accounting.ledger import Batch, Ledger
from accounting.ledger.records import DecisionRow
from accounting.ledger.tape import Row, as_csv, unpack
from accounting.valuation.historical_shares import Record
from daemon.assembly.prepared_home import prepare
from daemon.config.load import load, parse
from daemon.config.model import Home
from daemon.inputs.readings_file import ReadingsFile
from daemon.simulation.apart import Apart, Teller, work
from daemon.simulation.replay import Replay
from rules.model.errors import BrimfulError
from rules.model.orders import Order

DAYS = 30
LONGEST_S = 180.0
"""A trial that takes longer is ended: the change can still be made, untried."""


@dataclass(frozen=True, slots=True)
class Times:
    """How long each order stood and each rule decided, seconds, and how often the order changed."""

    changes: int
    by_order_s: dict[str, float]
    by_rule_s: dict[str, float]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a trial found. from_s, to_s: UTC seconds of the first and last recorded minute; minutes: how many; was: what
    really happened, by the ledger; before, after: the replays under the rules as they are and as they would be."""

    from_s: float
    to_s: float
    minutes: int
    was: Times
    before: Times
    after: Times


class _NoBooks:
    """Takes what a replay books and keeps nothing of it; the home's past is the ledger's."""

    def __init__(self, past: Record | None) -> None:
        self._past = past

    def tank_span(self) -> tuple[int, int] | None:
        return None if self._past is None else self._past.tank_span()

    def tank_heat(self, from_s: int, to_s: int) -> tuple[int, Mapping[str, int]]:
        return (0, {}) if self._past is None else self._past.tank_heat(from_s, to_s)

    def commit(self, batch: Batch) -> None: ...


def compare(
    before: Home,
    after: Home,
    rows: list[Row],
    progress: Callable[[float], None] = lambda _: None,
    past: Record | None = None,
    decided: Sequence[DecisionRow] = (),
) -> Outcome:
    """Both homes' rules over the rows, and what the ledger has of that time.

    progress: gets the share done, 0 to 1; past: where the home's is recorded; decided: the ledger's decisions, those
    that stood before the first row first. Raises BrimfulError.
    """
    if len(rows) < 2:
        raise BrimfulError("try a change", "tape", f"expected recorded minutes of the last {DAYS} days, got none")
    first_s, last_s = rows[0][0], rows[-1][0]
    csv = as_csv(rows).splitlines(keepends=True)

    def times(home: Home, done: float) -> Times:
        run = Replay(prepare(home), ReadingsFile("tape", csv, home.heater_names), _NoBooks(past))
        run.run(lambda at_s: progress(done + (at_s - first_s) / (last_s - first_s) / 2))
        tally = run.engine.tally
        return Times(tally.changes, dict(tally.by_order), dict(tally.by_guard))

    heaters = [heater.name for heater in prepare(before).rules.heaters]
    was = happened(decided, first_s, last_s, heaters)
    return Outcome(first_s, last_s, len(rows), was, times(before, 0.0), times(after, 0.5))


def happened(decided: Sequence[DecisionRow], from_s: float, to_s: float, heaters: Sequence[str]) -> Times:
    """How long each order stood and each rule decided in [from_s, to_s), UTC seconds, by the ledger's decisions.

    decided: ascending; heaters: their names in the order of preference. As in a replay's tally it is the leading heater
    that counts: the first that is on, else the preferred one. Before the first decision nothing is counted.
    """
    found = Times(0, {}, {})
    standing: dict[str, DecisionRow] = {}
    changes, since_s, last = 0, from_s, None
    for row in [*(one for one in decided if one.at_s < to_s), None]:
        at_s = to_s if row is None else max(row.at_s, from_s)
        lead = _lead(standing, heaters)
        if lead is not None and at_s > since_s:
            changes += last is not None and last is not lead.order
            last = lead.order
            found.by_order_s[lead.order.value] = found.by_order_s.get(lead.order.value, 0.0) + at_s - since_s
            found.by_rule_s[lead.guard] = found.by_rule_s.get(lead.guard, 0.0) + at_s - since_s
        since_s = at_s
        if row is not None:
            standing[row.heater] = row
    return replace(found, changes=changes)


def _lead(standing: Mapping[str, DecisionRow], heaters: Sequence[str]) -> DecisionRow | None:
    """The decision of the heater that a person would ask about."""
    known = [standing[name] for name in heaters if name in standing]
    return next((row for row in known if row.order is not Order.WITHHOLD), known[0] if known else None)


class Trial(Apart):
    """One trial under way, in a process of its own.

    home: as it is; content: the home file as it would be; to_s: UTC second up to which the tape is taken.
    """

    def __init__(self, home: Home, content: bytes, to_s: float, longest_s: float = LONGEST_S) -> None:
        order = {
            "file": str(home.file.resolve()),
            "content": content.decode("utf-8"),
            "ledger": str(home.path_of(home.ledger.path).resolve()),
            "to_s": to_s,
        }
        super().__init__(__name__, order, longest_s)

    @property
    def outcome(self) -> Outcome | None:
        """What it found; None before its end, or where it failed."""
        if self.found is None:
            return None
        parts = {name: Times(**self.found[name]) for name in ("was", "before", "after")}
        return Outcome(**{**self.found, **parts})


def _tried(order: Mapping[str, Any], teller: Teller) -> Mapping[str, Any]:
    """Do the trial that the order describes. Raises BrimfulError."""
    file, to_s = Path(order["file"]), float(order["to_s"])
    from_s = to_s - DAYS * 86_400
    before, after = load(file), parse(order["content"].encode("utf-8"), file)
    with Ledger.open_reader(Path(order["ledger"])) as ledger:
        rows = unpack(ledger.tape(from_s, to_s), from_s, to_s)
        first_s = rows[0][0] if rows else from_s
        decided = [*ledger.decision_at(first_s), *ledger.decisions(first_s, to_s)]
        return asdict(compare(before, after, rows, teller, ledger, decided))


if __name__ == "__main__":
    work(sys.stdin, sys.stdout, _tried)
