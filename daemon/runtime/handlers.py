"""What the daemon says to each question, and does at each wish, that comes through the API. Run by the loop alone."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from accounting.ledger import OutboxKey
from daemon.config.cautions import of_override
from daemon.config.edit import Change, set_rule
from daemon.config.model import Home
from daemon.documents.decision_document import explanation_answer
from daemon.documents.times import iso
from daemon.recording import owner_notes as notes
from daemon.runtime.loop import Loop
from rules.model.errors import BrimfulError
from rules.model.formatting import clock, duration
from rules.model.freshness import is_fresh
from rules.model.orders import Order
from rules.model.overriding import clear_override, set_override
from rules.model.reading import NEVER_LIVE_S, Moment

if TYPE_CHECKING:
    from daemon.mqtt.listener import Tally  # with it comes paho, which a question to the ledger has no use for

LONGEST_OVERRIDE_S = 7 * 86_400.0


def why(loop: Loop, now: Moment, home: Home) -> dict[str, Any]:
    """The standing decision, every finding, inputs with their ages, alarms."""
    override = loop.engine.memory.override
    return {
        **explanation_answer(home.home.name, loop.engine.explain(now), now.utc_s),
        "heaters": [
            {"heater": told.heater, "order": told.order.value, "watts": told.watts, "guard": told.guard}
            for told in (loop.engine.decision.orders if loop.engine.decision is not None else ())
        ],
        "level": level(loop, now),
        "prices": prices(loop),
        "links_down": {name: link.reason for name, link in sorted(loop.links.items()) if not link.up},
        "inputs": inputs(loop, now),
        "alarms": alarms(loop, now),
        "override": None
        if override is None
        else {"order": override.order.value, "heater": override.heater, "ends_in_s": override.until_s - now.mono_s},
    }


def level(loop: Loop, now: Moment) -> dict[str, Any] | None:
    """The tank's level that counts, its age (null: never heard live), whether it is fresh; since when it has been the
    same, and since when the tank counts as full."""
    snapshot, full_s = loop.engine.snapshot, loop.engine.memory.full_since_s
    told = snapshot.level
    if told is None:
        return None
    since_s = snapshot.level_since_s
    return {
        "value_pct": told.value,
        "age_s": None if told.seen_s == NEVER_LIVE_S else round(now.mono_s - told.seen_s, 1),
        "fresh": is_fresh(told, loop.engine.settings, now),
        "since": None if since_s == NEVER_LIVE_S else iso(now.utc_of(since_s)),
        "full_since": None if full_s is None else iso(now.utc_of(full_s)),
    }


def prices(loop: Loop) -> dict[str, Any]:
    """The prices in force, money per kWh, null where nothing tells; heat_value: what a diverted kWh displaces."""
    told = loop.engine.prices
    return {"import_price": told.import_price, "export_price": told.export_price, "heat_value": told.heat_value}


def alarms(loop: Loop, now: Moment) -> list[dict[str, Any]]:
    """The alarms that stand."""
    return [
        {"name": alarm.name, "sentence": alarm.sentence, "since": iso(now.utc_of(alarm.since_s))}
        for alarm in loop.alarms
    ]


def inputs(loop: Loop, now: Moment) -> list[dict[str, Any]]:
    """Every signal heard, with value and age; age null for a value that was never heard live."""
    limits = loop.engine.settings.stale_after_s
    return [
        {
            "signal": name,
            "value": reading.value,
            "age_s": None if reading.seen_s == NEVER_LIVE_S else round(now.mono_s - reading.seen_s, 1),
            "stale_after_s": limits.get(name),
        }
        for name, reading in sorted(loop.engine.board.latest.items())
    ]


def health(
    loop: Loop, now: Moment, home: Home, timeseries: dict[str, Any] | None, tallies: "Sequence[Tally]"
) -> dict[str, Any]:
    """Connections, inputs, payloads since the start, what waits to be dealt with, books, alarms."""
    return {
        "schema": "brimful.health/1",
        "home": home.home.name,
        "at": iso(now.utc_s),
        "links": {name: {"up": link.up, "reason": link.reason} for name, link in sorted(loop.links.items())},
        "inputs": inputs(loop, now),
        "payloads": [
            {
                "signal": tally.source.signal,
                "received": tally.received,
                "refused": dict(tally.refused),
                "last_refused": tally.last_refused,
            }
            for tally in tallies
        ],
        "queue": {"waiting_readings": loop.waiting.readings, "passed_over_readings": loop.waiting.passed_over},
        "books": loop.keeper.health(),
        "clock": {"fault": loop.clock_fault},
        "timeseries": timeseries,
        "alarms": alarms(loop, now),
    }


def written(loop: Loop, now: Moment) -> dict[str, Any]:
    """Write the interval in progress down for who is about to read the ledger."""
    loop.freshen(now)
    at_s = loop.keeper.written_at_s
    return {"schema": "brimful.written/1", "written_at": None if at_s is None else iso(at_s)}


def write_note(loop: Loop, now: Moment, arguments: Mapping[str, Any]) -> dict[str, Any]:
    """Keep a dated note of the owner's; written down at once."""
    note = notes.note_of(arguments)
    loop.keeper.events([notes.written(note, now.utc_s)])
    return _noted(loop, now, note, "written")


def withdraw_note(loop: Loop, now: Moment, arguments: Mapping[str, Any]) -> dict[str, Any]:
    """Take a note back; both stay in the ledger. arguments: note, its id."""
    wanted = arguments.get("note")
    for note in notes.notes_of(loop.keeper.owners_notes()):
        if note.id == wanted:
            loop.keeper.events([notes.withdrawn(note, now.utc_s)])
            return _noted(loop, now, note, "withdrawn")
    cause = f"expected the id of a note that stands, got {str(wanted)[:40]!r}"
    raise BrimfulError("withdraw a note", "note", cause, "it may be withdrawn already")


def _noted(loop: Loop, now: Moment, note: notes.Note, done: str) -> dict[str, Any]:
    loop.write(now)
    fault = loop.clock_fault or loop.keeper.fault
    told = {"note": note.id, "day": note.day.isoformat(), "kind": note.kind, "text": note.text}
    return {"schema": "brimful.note/1", **told, "done": done, "kept": not fault}


def change_rule(home: Home, arguments: Mapping[str, Any], fits: Callable[[Home], object]) -> Change:
    """Set a rule in the home file. arguments: rule, set; file, if given, must be the home's own.

    fits: as for `set_rule`.
    """
    name, wanted = arguments.get("rule"), arguments.get("set")
    if not isinstance(name, str) or not isinstance(wanted, dict):
        raise BrimfulError("change a rule", "request", 'expected {"rule": NAME, "set": {KEY: VALUE}}')
    named = arguments.get("file")
    if named is not None and Path(str(named)) != home.file.resolve():
        raise BrimfulError(
            "change a rule",
            str(named),
            f"expected the running daemon's home file {home.file.resolve()}",
            "another home's daemon answers at this port",
        )
    return set_rule(home.file, name, {str(key): _text(value) for key, value in wanted.items()}, fits)


def override(loop: Loop, now: Moment, arguments: Mapping[str, Any], home: Home) -> dict[str, Any]:
    """Set or clear the override; written down at once, so that a restart keeps it."""
    warned: list[str] = []
    settings = loop.engine.settings
    if arguments.get("clear"):
        loop.remember(clear_override(loop.engine.memory), now)
        said = "override cleared"
        until = None
    else:
        order = _order(arguments.get("order"))
        warned = of_override(home, order.value)
        for_s = arguments.get("for_s")
        if isinstance(for_s, bool) or not (isinstance(for_s, int | float) and 1 <= for_s <= LONGEST_OVERRIDE_S):
            is_time = isinstance(for_s, int | float) and not isinstance(for_s, bool) and 1 <= for_s < 1e12
            got = f"{for_s:.12g} s ({duration(float(for_s or 0))})" if is_time else str(for_s)[:40]
            cause = f"expected 1 s to {duration(LONGEST_OVERRIDE_S)}, got {got}"
            raise BrimfulError("set an override", "for_s", cause, "an override always ends")
        heater = arguments.get("heater")
        names = {known.name: known for known in settings.heaters}
        if heater is not None and not (isinstance(heater, str) and heater in names):
            raise BrimfulError("set an override", "heater", f"expected one of {', '.join(names)}, got {heater!r}")
        asked = names[heater] if heater is not None else settings.heaters[0]
        if order is Order.HEAT and not asked.can_heat:
            raise BrimfulError(
                "set an override",
                f"heaters.{asked.name}",
                "expected a heater that obeys `heat`, got one with no such order",
                "give it a `heat` payload under orders, if the device has one",
            )
        until = now.mono_s + for_s
        loop.remember(set_override(loop.engine.memory, order, until, heater), now)
        said = f"override: {order.value} until {clock(now.utc_of(until), settings.timezone, now.utc_s)}"
    explanation = loop.engine.explain(now)
    unkept = loop.keeper.fault or loop.clock_fault
    if unkept:
        said += f" (a restart now would forget it: {unkept})"
    return {
        "schema": "brimful.override/1",
        "until": None if until is None else iso(now.utc_of(until)),
        "order": explanation.order.value,
        "guard": explanation.primary.guard,
        "sentence": f"{said}. {explanation.text}",
        "cautions": warned,
        "kept": not unkept,
    }


MOST_RESENT = 100
"""Intervals to one wish: the loop queues them at once, which holds control no longer than any other write."""


def resend(loop: Loop, now: Moment, arguments: Mapping[str, Any], home: Home) -> dict[str, Any]:
    """Queue intervals for the time-series database again, written down at once.

    arguments: ledger, the path of the one that is meant; intervals, pairs of start (UTC second) and heater.
    """
    op = "send intervals again"
    path = loop.keeper.path.resolve()
    if arguments.get("ledger") != str(path):
        cause = f"expected the running daemon's ledger {path}, got {str(arguments.get('ledger'))[:200]}"
        raise BrimfulError(op, "ledger", cause, "another home's daemon answers at this port")
    if home.timeseries is None:
        raise BrimfulError(op, "timeseries", "expected a [timeseries] table, got none", "restart the daemon with one")
    wanted = arguments.get("intervals")
    if not isinstance(wanted, list) or not 1 <= len(wanted) <= MOST_RESENT or not all(map(_is_interval, wanted)):
        raise BrimfulError(op, "intervals", f"expected 1 to {MOST_RESENT} pairs of start_s and heater")
    loop.keeper.again(OutboxKey(start_s, heater, 0) for start_s, heater in wanted)  # the newest version goes
    loop.write(now)
    fault = loop.clock_fault or loop.keeper.fault
    if fault:
        raise BrimfulError(op, "ledger", fault, "they are queued once it can be written")
    return {"schema": "brimful.resend/1", "queued": len(wanted), "outbox": loop.keeper.health()["outbox"]}


def _is_interval(told: Any) -> bool:
    match told:
        case [int(start_s), str()]:
            return abs(start_s) < 2**62
    return False


def _order(told: Any) -> Order:
    try:
        return Order(told)
    except ValueError:
        raise BrimfulError(
            "set an override", "order", f"expected {', '.join(order.value for order in Order)}, got {told!r}"
        ) from None


def _text(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return str(value)
