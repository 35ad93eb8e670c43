"""The order of precedence: the guards one after the other, each with what it may do at its rank."""

from collections.abc import Iterator

from rules.guards.guard import Guard, Power, never
from rules.model.memory import Memory
from rules.model.orders import ALLOW, FORBID, Order
from rules.model.reading import Moment
from rules.model.settings import Settings
from rules.model.share import WHOLE, Share
from rules.model.snapshot import Snapshot


class Precedence:
    """The guards from the first to the last; iterating gives their modules.

    Raises ValueError where a hard guard comes after one that is not, or two guards have one name.
    """

    def __init__(self, *ranked: tuple[Guard, Power]) -> None:
        self.ranked = ranked
        self.guards = tuple(guard for guard, _ in ranked)
        names = [guard.NAME for guard in self.guards]
        if len(set(names)) < len(names):
            raise ValueError(f"guards of one name in {names}")
        powers = [power for _, power in ranked]
        if Power.HARD in powers[powers.count(Power.HARD) :]:
            raise ValueError("a hard guard stands after one that is not: an order required before it would defeat it")
        self.judges = tuple((guard.NAME, power is Power.HARD, guard.judge) for guard, power in ranked)
        """Name, whether it is hard, and `judge`, in order: what a decision goes through."""
        self.hard = frozenset(guard.NAME for guard, power in ranked if power is Power.HARD)
        """Names of those that no required order can defeat."""
        self.requiring = frozenset(guard.NAME for guard, power in ranked if power is Power.REQUIRING)
        """Names of those that may require an order."""
        self._requirers = tuple(guard.judge for guard, power in ranked if power is Power.REQUIRING)
        self.deadlines = tuple(guard.next_s for guard in self.guards if guard.next_s is not never)
        """`next_s` of each guard whose answer time alone may change."""

    def __iter__(self) -> Iterator[Guard]:
        return iter(self.guards)

    def required(self, snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int) -> Order | None:
        """The order that the first requiring guard requires of heater `i`; None if none does."""
        for judge in self._requirers:
            judgement = judge(snapshot, settings, memory, now, i, WHOLE)
            if judgement is not ALLOW:
                return None if judgement is FORBID else judgement
        return None

    def permit_surplus(
        self, snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment, i: int, share: Share
    ) -> bool:
        """Whether every hard guard allows heater `i` to take surplus, whatever else is required of it."""
        share = share._replace(from_grid=False)
        return all(judge(snapshot, settings, memory, now, i, share) is ALLOW for _, hard, judge in self.judges if hard)
