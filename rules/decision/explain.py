"""Why a heater is on or off, and what would change that: every guard's finding on the snapshot behind the decision."""

from dataclasses import dataclass

from rules.decision.decide import allot, decide
from rules.guards import GUARDS
from rules.guards.precedence import Precedence
from rules.model.formatting import percent, watts
from rules.model.memory import Memory
from rules.model.orders import LEADS, Finding, Order
from rules.model.reading import Moment
from rules.model.settings import Settings
from rules.model.snapshot import Snapshot
from rules.model.wording import joined, say


@dataclass(frozen=True, slots=True)
class Explanation:
    """A heater's order with its reasons.

    watts: what a modulated heater is ordered, else None; primary: the finding that decided; findings: all, in the order
    of precedence; change: what would change the order, or "".
    """

    heater: str
    order: Order
    watts: int | None
    primary: Finding
    findings: tuple[Finding, ...]
    change: str

    @property
    def text(self) -> str:
        """The one sentence: "Heater off: tank 96 %, full since 13:10; resumes below 88 %"."""
        lead: str = LEADS[self.order]
        if self.watts is not None:
            lead = say("{lead} ({power})", lead=lead, power=watts(self.watts))
        return joined((say("{lead}: {reason}", lead=lead, reason=self.primary.sentence), self.change), "; ")


def explain(
    snapshot: Snapshot,
    settings: Settings,
    memory: Memory,
    now: Moment,
    heater: str | None = None,
    guards: Precedence = GUARDS,
) -> Explanation:
    """The reasons for the order that decide gives with the same arguments.

    heater: its name; None explains the heater a person asks about: the first that is on, else the preferred one.
    """
    decision, memory = decide(snapshot, settings, memory, now, guards)
    stands = next((order for order in decision.orders if order.heater == heater), decision.lead)
    i = decision.orders.index(stands)
    share = allot(snapshot, settings, memory, now, guards)[i].share
    findings = tuple(guard.say(snapshot, settings, memory, now, i, share) for guard in guards)
    by_name = {finding.guard: finding for finding in findings}
    primary = by_name[stands.guard]
    change = primary.change
    if stands.order is not Order.WITHHOLD:
        # A full tank ends every heating, whatever began it.
        level = percent(settings.full.stop_at_pct)
        change = say("{change}, or when the tank reaches {level}", change=change, level=level)
    return Explanation(stands.heater, stands.order, stands.watts, primary, findings, change)
