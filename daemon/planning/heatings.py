"""What other rules heat from the grid within the plan's day: the whole tank for hygiene, or for a return."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from accounting.ledger import Ledger
from daemon.assembly.prepared_home import PreparedHome
from daemon.recording.recovery import remembered
from rules.model.formatting import clock, degrees
from rules.model.reading import Moment
from rules.model.snapshot import Stretch
from rules.model.wording import say
from rules.planning.heating_times import heating_times
from rules.planning.policy import HalfHour
from rules.planning.store import HALF_HOUR_S

LATE_S = 3600.0
"""How much newer than the plan the ledger may be for what it holds of the rules to be of the plan's time."""


@dataclass(frozen=True, slots=True)
class Heating:
    """What a rule heats, whatever the plan says. rule: its name; stretch: when; why: in words."""

    rule: str
    stretch: Stretch
    why: str


def other_heatings(made: PreparedHome, ledger: Ledger, at_s: float, from_s: int, to_s: int) -> list[Heating] | str:
    """The heatings planned by other rules within [from_s, to_s), as far as is known at at_s; UTC seconds. Why nothing
    is known of them, in a sentence, where that is so. Raises LedgerError."""
    rules = made.rules
    asks = (rules.hygiene is not None and not rules.hygiene.why_not) or rules.away.heater
    if not asks or rules.watching:
        return []
    known_s = ledger.known_until_s()
    if known_s is not None and known_s > at_s + LATE_S:
        return say("What the hygiene rule, or a return, heats is not known as of a past time: it is not in the plan.")
    memory, _ = remembered(ledger, rules, Moment(at_s, at_s))
    price_at = made.books.imports.price_at if made.books.imports is not None else lambda utc_s: None
    found: dict[str, Stretch] = {}
    times = memory.begun
    for then_s in range(from_s, to_s, HALF_HOUR_S):
        # The rules plan within the last day before their heat is due, so each half hour plans in turn, as it will then.
        times = heating_times(rules, memory.hygiene, Moment(then_s, then_s), price_at, times)
        for rule, stretch in (("hygiene", times.hygiene), ("away", times.homecoming)):
            if stretch is not None and stretch.from_s < to_s and stretch.until_s > from_s:
                found.setdefault(rule, stretch)
    return [Heating(rule, stretch, _why(made, rule)) for rule, stretch in found.items()]


def marked(ahead: Sequence[HalfHour], first_s: int, heatings: Sequence[Heating]) -> list[HalfHour]:
    """The half hours, the first from first_s on, with those marked in which another rule heats."""

    def heated(start_s: int) -> bool:
        end_s = start_s + HALF_HOUR_S
        return any(start_s < each.stretch.until_s and each.stretch.from_s < end_s for each in heatings)

    return [replace(hour, heated=heated(first_s + place * HALF_HOUR_S)) for place, hour in enumerate(ahead)]


def heating_note(heating: Heating, timezone: str, now_s: float) -> str:
    """What the owner should know of it beside the plan."""
    start, end = (clock(at_s, timezone, now_s) for at_s in heating.stretch)
    return say(
        "{why} from {start} to {end}, unless the sun has done it by then. The plan counts on that heat "
        "and buys no other in those hours; what it costs is in no figure of the plan.",
        why=heating.why,
        start=start,
        end=end,
    )


def _why(made: PreparedHome, rule: str) -> str:
    hygiene = made.rules.hygiene
    if rule == "hygiene" and hygiene is not None:
        return say("The hygiene rule heats the whole tank to {temp}", temp=degrees(hygiene.at_c))
    return say("The tank is heated for your return")
