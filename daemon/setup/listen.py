"""Looks before anything is set up: what the broker carries, and whether the signals of a home file are heard."""

import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import inf
from types import MappingProxyType

from daemon.inputs.decode import Source, base_signal
from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.connection import Connection
from daemon.mqtt.listener import SKEW_S, Listener, Tally
from daemon.setup.draft import UNHEARD
from daemon.setup.plausible import odd
from daemon.setup.survey import Survey
from daemon.timing.clock import Clock
from daemon.timing.events import Heard, Linked
from rules.model.errors import BrimfulError
from rules.model.formatting import duration

_LINK_S = 10.0


@dataclass(frozen=True, slots=True)
class Probe:
    """Whether a signal is heard, and the sentence that says so."""

    signal: str
    ok: bool
    sentence: str


def survey(
    broker: BrokerAddress, seconds: float, pattern: str = "#", wait: Callable[[float], object] = time.sleep
) -> Survey:
    """Listen to everything for a while. Raises BrimfulError if the broker cannot be reached."""
    found = Survey()
    reasons: list[str] = []
    connection = Connection(
        broker,
        "looks",
        topics=(pattern,),
        on_message=found.hear,
        on_down=reasons.append,
        on_fault=lambda refusal: found.faults.append(str(refusal)),
    )
    connection.start()
    try:
        if not connection.wait_up(_LINK_S):
            raise BrimfulError("listen", f"broker {broker}", reasons[-1] if reasons else "no answer in time")
        wait(seconds)
        found.seconds = seconds
    finally:
        connection.close()
    return found


def reach(broker: BrokerAddress, timeout_s: float = _LINK_S) -> tuple[bool, str]:
    """Whether the broker takes us, and the sentence that says so. Ends at the first refusal."""
    decided = threading.Event()
    reasons: list[str] = []

    def down(reason: str) -> None:
        reasons.append(reason)
        decided.set()

    connection = Connection(broker, "check", on_up=decided.set, on_down=down)
    connection.start()
    try:
        decided.wait(timeout_s)
        if connection.up:
            return True, f"broker {broker}: reached, MQTT {'5' if connection.mqtt5 else '3.1.1'}"
        return False, f"broker {broker}: {reasons[0] if reasons else 'no answer in time'}"
    finally:
        connection.close()


def probe(
    broker: BrokerAddress,
    sources: Sequence[Source],
    seconds: float,
    clock: Clock,
    stale_after_s: Mapping[str, float] = MappingProxyType({}),
) -> list[Probe]:
    """Listen for the sources, at most `seconds` and less if all are heard fresh; one answer for each, in their order.

    stale_after_s: by signal, the age from which the daemon does not count a reading; a signal left out has none.
    Raises BrimfulError if the broker cannot be reached.
    """
    heard = threading.Condition()
    reasons: list[str] = []

    def limit(tally: Tally) -> float:
        return stale_after_s.get(tally.source.signal, inf)

    def emit(event: Heard | Linked) -> None:
        with heard:
            if isinstance(event, Linked) and not event.up:
                reasons.append(event.reason)
            heard.notify_all()

    listener = Listener(broker, sources, emit, clock)
    listener.start()
    try:
        if not listener.connection.wait_up(_LINK_S):
            raise BrimfulError("listen", f"broker {broker}", reasons[-1] if reasons else "no answer in time")
        with heard:
            heard.wait_for(lambda: all(tally.age_s < limit(tally) for tally in listener.tallies), seconds)
        unheard = dict(listener.unheard)
    finally:
        listener.close()
    return [_judge(tally, unheard, seconds, limit(tally)) for tally in listener.tallies]


def _judge(tally: Tally, unheard: Mapping[str, str], seconds: float, stale_after_s: float) -> Probe:
    source = tally.source
    name, topic = source.signal, source.topic
    if tally.live and stale_after_s <= tally.age_s < inf:
        old = f"its own time says that it is {duration(tally.age_s)} old, too old to count"
        keys = f"signals.{name}.stale_after_s is {stale_after_s:g} s; is the sender's clock right?"
        return Probe(
            name, False, f"{name}: {tally.last_value:.10g} {base_signal(name).unit} from {topic}: {old} ({keys})"
        )
    if tally.live and tally.last_value is not None:
        refused = sum(tally.refused.values())
        some = f"; {refused} of {tally.received} refused, last because {tally.last_reason}" if tally.last_reason else ""
        if tally.ahead_s > SKEW_S:
            some += f"; its own time is {tally.ahead_s:.0f} s ahead of this machine's clock, and is taken as now"
        often = "once" if tally.received == 1 else f"{tally.received} times"
        aged = f", {duration(tally.age_s)} old when it came" if tally.age_s >= 1 else ", new when it came"
        strange = odd(name, tally.last_value)
        some = (f"; ODD: {strange}" if strange else "") + some
        value = f"{tally.last_value:.10g} {base_signal(name).unit}"
        return Probe(name, True, f"{name}: {value} from {topic}, heard {often}{aged}{some}")
    if tally.refused:
        return Probe(name, False, f"{name}: refused from {topic}: {tally.last_reason} (got {tally.last_payload!r})")
    if tally.received:
        said = f"{name}: only a retained value from {topic}, of unknown age; nothing live came"
        if name.startswith("tank_"):
            said += (
                f". If it is sent on change alone, signals.{name}.stale_after_s says how long a value holds: the daemon"
            )
            said += " remembers across a restart when it last heard that value live"
        return Probe(name, False, said)
    if topic.startswith(f"{UNHEARD}/"):
        return Probe(name, False, f"{name}: its topic is still an example: put its own into signals.{name}.topic")
    # A broker that forbids reading a topic may grant the subscription all the same, and then say nothing.
    silent = f"nothing heard on {topic} in {seconds:g} s; see signals.{name}.topic, and whether brimful may read it"
    return Probe(name, False, f"{name}: {unheard.get(topic, silent)}")
