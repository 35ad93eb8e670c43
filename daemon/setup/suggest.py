"""Guesses which signal a topic tells, by the words in its name and the range of its value. Pure."""

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from daemon.inputs.decode import Decoded, Source, decode
from daemon.inputs.instants import instant
from daemon.inputs.json_pointer import write_pointer
from rules.model.signals import SIGNALS

_DEEPEST = 6
_MOST_MEMBERS = 100

_POWER = frozenset({"power", "w", "kw", "watt", "watts", "kilowatt", "now", "load", "draw"})
_ENERGY = frozenset({"energy", "wh", "kwh", "total", "counter", "register", "meter"})
_LEVEL = frozenset({"level", "charge", "soc", "pct", "percent", "percentage", "full"})
_TEMPERATURE = frozenset({"temp", "temperature", "c", "celsius", "degrees"})
_PRICE = frozenset({"price", "rate", "tariff", "cost"})
_TANK = frozenset({"tank", "cylinder", "hot", "dhw", "boiler"})
_DIVERTED = frozenset({"diverter", "diverted", "divert", "immersion", "heater", "element"})
_SUN = frozenset({"pv", "solar", "sun", "generation", "generated", "panel", "panels", "roof"})
_BATTERY = frozenset({"battery", "batteries", "storage"})
_IMPORT = frozenset({"import", "imported", "bought", "buy", "purchase", "consumed"})
_EXPORT = frozenset({"export", "exported", "sold", "sell", "feedin", "delivered"})
_GRID = frozenset({"grid", "meter", "mains", "net"})
_CARBON = frozenset({"carbon", "co2", "co2e", "intensity", "emissions"})

# Each signal: one word out of every group must occur, and none of the last.
_NONE: frozenset[str] = frozenset()
_RULES: Mapping[str, tuple[tuple[frozenset[str], ...], frozenset[str]]] = {
    "tank_level_pct": ((_TANK, _LEVEL), _TEMPERATURE | _BATTERY),
    "tank_top_c": ((_TANK, _TEMPERATURE, frozenset({"top", "upper", "high"})), _NONE),
    "tank_mid_c": ((_TANK, _TEMPERATURE, frozenset({"mid", "middle", "centre", "center"})), _NONE),
    "tank_bottom_c": ((_TANK, _TEMPERATURE, frozenset({"bottom", "lower", "low"})), _NONE),
    "diverted_w": ((_DIVERTED, _POWER), _ENERGY | _SUN),
    "diverted_wh": ((_DIVERTED, _ENERGY), _SUN | _PRICE),
    "battery_level_pct": ((_BATTERY, _LEVEL), _NONE),
    "battery_w": ((_BATTERY, _POWER), _ENERGY | _LEVEL),
    "pv_w": ((_SUN, _POWER), _ENERGY | _BATTERY | frozenset({"forecast"})),
    "car_w": ((frozenset({"car", "ev", "vehicle", "charger"}), _POWER), _ENERGY | _BATTERY),
    "import_price": ((_IMPORT, _PRICE), _ENERGY - frozenset({"kwh", "wh", "energy"})),
    "export_price": ((_EXPORT, _PRICE), _ENERGY - frozenset({"kwh", "wh", "energy"})),
    "import_wh": ((_IMPORT, _ENERGY), _PRICE | _SUN | _BATTERY),
    "export_wh": ((_EXPORT, _ENERGY), _PRICE | _SUN | _BATTERY),
    "boiler_wh": ((frozenset({"boiler", "gas"}), _ENERGY), _PRICE | _LEVEL | _DIVERTED),
    "water_l": ((frozenset({"water"}), frozenset({"volume", "litres", "liters", "l", "drawn"})), _TEMPERATURE),
    "grid_kg_per_kwh": ((_GRID, _CARBON), _NONE),
    "surplus_w": ((frozenset({"surplus", "excess", "spare"}), _POWER), _ENERGY),
    "grid_w": ((_GRID, _POWER), _ENERGY - _GRID | _SUN | _BATTERY | _CARBON | _IMPORT | _EXPORT | _PRICE),
    "house_w": ((frozenset({"house", "home", "household"}), _POWER), _ENERGY | _SUN | _BATTERY | _GRID | _DIVERTED),
    "forecast_pv_wh": ((_SUN, frozenset({"forecast"})), _POWER - frozenset({"kw", "now"})),
}
_KILO = frozenset({"kw", "kwh", "kilowatt"})
_TIMES = frozenset({"t", "ts", "time", "timestamp", "at", "when", "date", "datetime", "utc"})


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A guess. why: what it rests on; value: what the payload gives with it, in the signal's unit."""

    source: Source
    why: str
    value: float


def words_of(text: str) -> tuple[str, ...]:
    """A name's words, small: "Cylinder/topTemp_C" gives cylinder, top, temp, c."""
    split = re.sub(r"([a-z0-9])([A-Z])", r"\1 \2", text)
    return tuple(re.findall(r"[a-z]+[0-9]?[a-z]*|[0-9]+", split.lower()))


def suggest(payloads: Mapping[str, bytes]) -> list[Suggestion]:
    """For each signal the likeliest topic (and member, of JSON), in the order of the table of signals."""
    best: dict[str, tuple[tuple[int, int], Suggestion]] = {}
    for topic, payload in payloads.items():
        for pointer, time_pointer in _members(payload):
            for signal, suggestion, rank in _guesses(topic, pointer, time_pointer, payload):
                if signal not in best or rank > best[signal][0]:
                    best[signal] = (rank, suggestion)
    return [best[signal][1] for signal in SIGNALS if signal in best]


def signals_table(suggestions: Sequence[Suggestion]) -> str:
    """The suggestions as tables for the home file, each with its reason as a comment."""
    tables: list[str] = []
    for found in suggestions:
        source = found.source
        unit = SIGNALS[source.signal].unit
        lines = [f"[signals.{source.signal}]", f"# {found.why}; now {found.value:.10g} {unit}. Check before use."]
        if source.signal in ("grid_w", "surplus_w", "battery_w"):
            lines.append(f"# {SIGNALS[source.signal].about}; if its sign is the other way round, add a minus to scale")
        lines.append(f"topic = {toml_text(source.topic)}")
        if source.pointer:
            lines.append(f"pointer = {toml_text(source.pointer)}")
        if source.scale != 1.0:
            lines.append(f"scale = {source.scale:g}")
        if source.time_pointer is not None:
            lines.append(f"time_pointer = {toml_text(source.time_pointer)}")
        tables.append("\n".join(lines) + "\n")
    return "\n".join(tables)


def toml_text(text: str) -> str:
    """A TOML basic string."""
    # JSON's escapes are TOML's, except that TOML has no surrogate pairs and wants U+007F escaped.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _guesses(
    topic: str, pointer: str, time_pointer: str | None, payload: bytes
) -> Iterator[tuple[str, Suggestion, tuple[int, int]]]:
    last = words_of(pointer or topic.rpartition("/")[2])
    words = frozenset((*words_of(topic), *words_of(pointer)))
    for signal, (groups, never) in _RULES.items():
        if words & never or not all(words & group for group in groups):
            continue
        scale = 1000.0 if words & _KILO and SIGNALS[signal].unit in ("W", "Wh") else 1.0
        source = Source(signal, topic, pointer, scale, time_pointer=time_pointer)
        answer = decode(payload, source)
        if not isinstance(answer, Decoded):
            continue
        met = sorted(set().union(*groups) & words)
        # A name whose last part says it is a better guess than one whose folder does.
        rank = (sum(word in last for word in met), len(met))
        yield signal, Suggestion(source, f"guessed from {', '.join(met)}", answer.value), rank


def _members(payload: bytes) -> Iterator[tuple[str, str | None]]:
    """Where a payload has numbers, and the pointer to its own time if it has one."""
    try:
        document = json.loads(payload)
    except (ValueError, RecursionError):
        yield "", None
        return
    if not isinstance(document, dict):
        yield "", None
        return
    leaves = [leaf for leaf, _ in zip(_leaves(document, (), 0), range(_MOST_MEMBERS), strict=False)]
    times = [path for path, value in leaves if words_of(path[-1])[-1:] and words_of(path[-1])[-1] in _TIMES]
    stamps = [path for path in times if _is_instant(dict(leaves)[path])]
    time_pointer = write_pointer(stamps[0]) if stamps else None
    for path, value in leaves:
        if path not in stamps and not isinstance(value, bool) and isinstance(value, int | float | str):
            yield write_pointer(path), time_pointer


def _leaves(document: object, path: tuple[str, ...], depth: int) -> Iterator[tuple[tuple[str, ...], object]]:
    if depth > _DEEPEST:
        return
    if isinstance(document, dict):
        for name, value in document.items():
            yield from _leaves(value, (*path, name), depth + 1)
    elif isinstance(document, list):
        for index, value in enumerate(document):
            yield from _leaves(value, (*path, str(index)), depth + 1)
    elif path:
        yield path, document


def _is_instant(value: object) -> bool:
    try:
        instant(value)
    except ValueError:
        return False
    return True
