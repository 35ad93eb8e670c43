"""Surplus with the wrong sign: found by comparing the heaters' switching with the meter.

When the heaters take P watts more, the surplus must fall by about P. If it rises by as much instead, at every switching
that can be judged, import is taken for surplus. Other loads, clouds and batteries move the meter too. So only
switchings by our own orders count, the two changes must be about equal, and one the right way restarts the count.
"""

from dataclasses import dataclass, replace

from rules.alarms.alarm import Alarm
from rules.alarms.power import total_w
from rules.model import wording
from rules.model.formatting import watts
from rules.model.memory import Memory
from rules.model.orders import Decision
from rules.model.reading import NEVER_LIVE_S, Moment
from rules.model.settings import Settings
from rules.model.signals import SIGNALS
from rules.model.snapshot import Snapshot

IN_A_ROW = 6
"""Wrong switchings in a row that raise the alarm. In 2,000 half days of a house more restless than any real one
(tests/property), chance has brought 3 in a row."""
LEAST_W = 300.0
"""The least change of the heaters' power that is compared."""
ALIKE = 0.25
"""How far the meter's change may differ from the heaters', as a share of it."""
YOUNG_S = 90.0
"""The greatest age of readings that still show the state before an order, s."""
SETTLED_S = 20.0
"""How long after an order the readings show its effect, s."""
COUNTED_S = 75.0
"""The same if the power is worked out from a counter over a minute, s."""
PATIENCE_S = 180.0
"""How long to wait for such readings after an order, s."""


@dataclass(frozen=True, slots=True)
class Trial:
    """A switching that is being judged: when it was ordered, the heaters' power and the surplus before it."""

    ordered_s: float
    power_w: float
    surplus_w: float


@dataclass(frozen=True, slots=True)
class Sign:
    """What is remembered. decision: the last one looked at; wrong: switchings in a row that moved the surplus the wrong
    way; power_w, surplus_w: by how much the last of them moved both; since_s: when they became enough.
    """

    decision: Decision | None = None
    trial: Trial | None = None
    wrong: int = 0
    power_w: float = 0.0
    surplus_w: float = 0.0
    since_s: float = NEVER_LIVE_S


def look(snapshot: Snapshot, settings: Settings, memory: Memory, past: Sign, now: Moment) -> Sign:
    """What is remembered after another look; the same object where there is nothing to look at."""
    decision = memory.decision
    if decision is not past.decision:
        if past.decision is not None and decision is not None and _switched(past.decision, decision):
            return replace(past, decision=decision, trial=_before(snapshot, settings, now))
        past = replace(past, decision=decision)
    return past if past.trial is None else _after(snapshot, settings, past, past.trial, now)


def wrong_sign(snapshot: Snapshot, past: Sign) -> list[Alarm]:
    """The alarm, if it stands."""
    if past.wrong < IN_A_ROW:
        return []
    signal = snapshot.surplus.signal if snapshot.surplus is not None else "surplus_w"
    power, surplus = watts(abs(past.power_w)), watts(abs(past.surplus_w))
    if past.power_w > 0:
        taken = wording.say("when the heaters took {power} more", power=power)
    else:
        taken = wording.say("when the heaters took {power} less", power=power)
    if past.surplus_w > 0:
        moved = wording.say("the surplus rose by {power}", power=surplus)
    else:
        moved = wording.say("the surplus fell by {power}", power=surplus)
    sentence = wording.say(
        "{taken}, {moved}, the wrong way, {times} switchings in a row: import is taken for surplus and diverted;"
        " reverse the sign of signals.{signal}.scale in the home file, then restart",
        taken=taken,
        moved=moved,
        times=past.wrong,
        signal=signal,
    )
    return [Alarm("surplus sign", sentence, past.since_s)]


def _switched(before: Decision, after: Decision) -> bool:
    return [given.order for given in before.orders] != [given.order for given in after.orders]


def _before(snapshot: Snapshot, settings: Settings, now: Moment) -> Trial | None:
    """A trial that begins now, if all the readings it needs are known and young."""
    power_w = total_w(snapshot, settings, now, now.mono_s - YOUNG_S)
    surplus = snapshot.surplus
    if power_w is None or surplus is None or surplus.seen_s < now.mono_s - YOUNG_S:
        return None
    return Trial(now.mono_s, power_w, surplus.value)


def _after(snapshot: Snapshot, settings: Settings, past: Sign, trial: Trial, now: Moment) -> Sign:
    if now.mono_s > trial.ordered_s + PATIENCE_S:
        return replace(past, trial=None)
    counted = any(reading is not None and _is_counter(reading.signal) for reading in snapshot.measured)
    settled_s = trial.ordered_s + (COUNTED_S if counted else SETTLED_S)
    surplus = snapshot.surplus
    if now.mono_s < settled_s or surplus is None or surplus.seen_s < settled_s:
        return past
    after_w = total_w(snapshot, settings, now, settled_s)
    if after_w is None:
        return past
    power_w, surplus_w = after_w - trial.power_w, surplus.value - trial.surplus_w
    past = replace(past, trial=None)
    if abs(power_w) < LEAST_W:
        return past
    if abs(surplus_w + power_w) <= ALIKE * abs(power_w):
        return past if past.wrong == 0 else replace(past, wrong=0)
    if abs(surplus_w - power_w) > ALIKE * abs(power_w):
        return past
    wrong = past.wrong + 1
    return replace(
        past,
        wrong=wrong,
        power_w=power_w,
        surplus_w=surplus_w,
        since_s=now.mono_s if wrong == IN_A_ROW else past.since_s,
    )


def _is_counter(signal: str) -> bool:
    return signal.startswith("diverted_wh") or (signal in SIGNALS and SIGNALS[signal].kind == "counter")
