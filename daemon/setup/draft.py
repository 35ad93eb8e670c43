"""A home file to start from, written from what was heard: commented, with all that is doubtful marked. Pure.

It loads as it is, and only watches: what nobody can hear, such as the heater's own orders, stands in it as an example,
and no order leaves the house before its owner has set the mode.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from daemon.setup.behaviour import pace
from daemon.setup.suggest import Suggestion, signal_table, toml_text
from daemon.setup.survey import Topic
from daemon.setup.vocabulary import HEATERS, PERMITS, words_of
from rules.model.formatting import duration
from rules.model.signals import TEMPERATURES

UNHEARD = "not-heard-yet"
"""What the topics of the examples begin with."""
_MOST_OTHERS = 60
_SHOWN = 60
_LEVELS = frozenset({"tank_level_pct", *TEMPERATURES})
_HEAD = """\
# A home file begun by `brimful listen` from what it heard. Look at every line marked DOUBTFUL or NOT HEARD, then:
#     brimful check THIS-FILE      what is heard of it now, and what does not fit
#     brimful run THIS-FILE        it watches: it decides and books, and sends no heater anything
# When `brimful why` and `brimful value` say what you expect, set mode = "control".
#
# Before you do: hot water, mains electricity and pressure can hurt. This program is no safety device. The tank's
# thermostat and its manual-reset cut-out must be there and work; it replaces neither. Water at 60 °C burns in seconds:
# have mixing valves at the outlets. The whole tank must be hot often enough against Legionella: follow local advice.
# Unvented cylinders and mains wiring are work for a qualified installer or electrician.
"""


@dataclass(frozen=True, slots=True)
class Facts:
    """What the file says of the house besides its signals.

    name, timezone, currency: as far as known, else None; broker: the lines of its table, none where brimful brings its
    own; seconds: how long it was listened; notes: what the tests found, sentences.
    """

    name: str | None = None
    timezone: str | None = None
    currency: str | None = None
    broker: tuple[str, ...] = ()
    seconds: float = 0.0
    notes: tuple[str, ...] = ()


def draft(facts: Facts, guesses: Sequence[Suggestion], heard: Mapping[str, Topic]) -> str:
    """The file's text."""
    parts = [
        _HEAD,
        _home(facts),
        "\n".join(("[broker]", *facts.broker)) + "\n" if facts.broker else _OWN_BROKER,
        _signals_head(facts, guesses, heard),
        *(signal_table(guess) for guess in guesses),
        *_lacking({guess.source.signal for guess in guesses}),
        _heater(guesses, heard),
        _REST,
        *_others(guesses, heard),
    ]
    return "\n".join(parts)


_OWN_BROKER = """\
# No [broker] table: brimful brings its own broker, reachable from this machine alone.
"""
_REST = """\
[tank]
volume_l = 180          # DOUBTFUL: an example; see the tank's label
cold_c = 10             # water from the main
hot_c = 60              # DOUBTFUL: the thermostat's setting
# label_class = "C"     # from the energy label: the standing loss, for the books of the tank's heat

# The rules stand at their defaults: stop at 95 %, go on below 88 %, never above 70 °C. `brimful rule` shows them.

# Prices, per kWh. Without them the books count energy alone. Take them from your bills:
# [tariffs.buy]
# direction = "import"
# [[tariffs.buy.periods]]
# from = 2026-01-01
# bands = [{ name = "night", from = "00:30", to = "07:30", price = 0.12 }, { name = "day", price = 0.28 }]
# [tariffs.sell]
# direction = "export"
# [[tariffs.sell.periods]]
# from = 2026-01-01
# bands = [{ name = "all", price = 0.08 }]
# [[displaces]]           # what would have heated the water otherwise
# source = "night electricity"
# share = 1
# tariff = "buy"
# when = "next night"
"""


def _home(facts: Facts) -> str:
    name, zone, currency = facts.name, facts.timezone, facts.currency
    return "\n".join(
        (
            "[home]",
            f"name = {toml_text(name or 'Our house')}" + ("" if name else "   # as you call it"),
            f"timezone = {toml_text(zone or 'UTC')}" + ("" if zone else "   # DOUBTFUL: such as Europe/Dublin"),
            f"currency = {toml_text(currency or 'EUR')}" + ("" if currency else "   # DOUBTFUL: the one of your bills"),
            'mode = "watch"   # no orders are sent; "control" sends them',
            "",
        )
    )


def _signals_head(facts: Facts, guesses: Sequence[Suggestion], heard: Mapping[str, Topic]) -> str:
    lines = [
        f"# ---- Heard in {duration(facts.seconds)}: {len(heard)} topics, {len(guesses)} signals guessed ----",
        *(f"# {note}" for note in facts.notes),
    ]
    return "\n".join(lines) + "\n"


def _lacking(known: set[str]) -> Iterator[str]:
    """Examples in place of what brimful cannot do without."""
    if not known & _LEVELS:
        yield _unheard(
            "tank_level_pct", "tank/level", "how full the tank is, in %; or tank_top_c and the like, its temperatures"
        )
    if not known & {"grid_w", "surplus_w"}:
        yield _unheard("grid_w", "meter/power", "the power at the meter, W: + import, − export; or surplus_w")
    if not known & {"diverted_w", "diverted_wh"}:
        yield _unheard("diverted_wh", "diverter/energy", "the heater's energy counter, Wh; or diverted_w, its power")


def _unheard(signal: str, topic: str, what: str) -> str:
    return (
        f"[signals.{signal}]\n# NOT HEARD: {what}. Nothing heard looked like it: put its topic here.\n"
        f'topic = "{UNHEARD}/{topic}"\n'
    )


def _heater(guesses: Sequence[Suggestion], heard: Mapping[str, Topic]) -> str:
    most_w = max((one.value for one in guesses if one.source.signal == "diverted_w"), default=0.0)
    rated_w = 3000 if most_w <= 3000 else min(6000, -int(-most_w // 500) * 500)
    taking = [topic for topic in heard if set(words_of(topic)) & PERMITS and set(words_of(topic)) & HEATERS]
    lines = [
        "[heaters.main]",
        'kind = "gate"           # permitted or withheld; "modulated" takes an order in watts',
        f"rated_w = {rated_w}          # DOUBTFUL: an example; the element's plate says it",
        "# NOT HEARD: orders cannot be guessed. Put the topic that your heater or diverter obeys here, and its words.",
        *(f"# perhaps: topic = {toml_text(topic)}   # heard: {_shown(heard[topic].payload)}" for topic in taking[:5]),
        f'topic = "{UNHEARD}/heater/permit"',
        'orders = { withhold = "0", surplus = "1" }   # DOUBTFUL: its words for "do not heat" and "take surplus only"',
    ]
    return "\n".join(lines) + "\n"


def _others(guesses: Sequence[Suggestion], heard: Mapping[str, Topic]) -> Iterator[str]:
    """What was heard and taken for nothing."""
    taken = {one.source.topic for one in guesses}
    left = [
        f"# {toml_text(topic)}   {pace(content)}   {_shown(content.payload)}"
        for topic, content in sorted(heard.items())
        if topic not in taken
    ]
    if left:
        more = len(left) - _MOST_OTHERS
        yield "\n".join(
            (
                "# ---- Heard besides, and taken for no signal: ----",
                *left[:_MOST_OTHERS],
                *([f"# and {more} more; `brimful listen` shows them"] if more > 0 else ()),
                "",
            )
        )


def _shown(payload: bytes) -> str:
    return toml_text(payload[:_SHOWN].decode("utf-8", "replace"))
