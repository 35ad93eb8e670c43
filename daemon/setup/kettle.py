"""The sign test: a kettle is switched on, and what moves by a kettle's power says how it is signed. Pure."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from statistics import median

from daemon.inputs.decode import Source
from daemon.setup.corrections import Correction
from daemon.setup.members import members
from daemon.setup.suggest import Suggestion, course_of, toml_text
from daemon.setup.survey import Topic
from rules.model.wording import Number, say

LEAST_W, MOST_W = 800.0, 3500.0
"""What a kettle takes: 1 to 3 kW by its plate (common practice, no source), a little less where the voltage is low."""
SETTLED_S = 4.0
"""How long after the switching a reading may still be of before it: meters report every few seconds."""
_NOISE = 3.0
_TURNS = {"grid_w": 1.0, "surplus_w": -1.0, "house_w": 1.0, "battery_w": -1.0}
"""Which way each signal moves when the house takes more."""


@dataclass(frozen=True, slots=True)
class Moved:
    """A number that moved by a kettle's power. step: by how much, as sent; factor: to W, without the sign."""

    topic: str
    pointer: str
    minus_pointer: str | None
    step: float
    factor: float


def moved(heard: Mapping[str, Topic], guesses: list[Suggestion], asked_s: float, on_s: float) -> list[Moved]:
    """All numbers that moved so, the largest step first.

    asked_s, on_s: seconds by the survey's clock up to which the kettle was off, and from which it was on.
    """
    sources = {(one.source.topic, one.source.pointer, one.source.minus_pointer) for one in guesses}
    found = []
    for topic, content in heard.items():
        for pointer, minus_pointer in _places(topic, content, sources):
            values = course_of(Source("grid_w", topic, pointer, minus_pointer=minus_pointer), content)
            before = [value for at_s, value in values if at_s <= asked_s]
            after = [value for at_s, value in values if at_s >= on_s + SETTLED_S]
            if len(before) < 2 or not after:
                continue
            step = median(after) - median(before)
            spread = max(abs(value - median(before)) for value in before)
            factor = next((one for one in (1.0, 1000.0) if LEAST_W <= abs(step) * one <= MOST_W), None)
            if factor is not None and abs(step) > _NOISE * spread:
                found.append(Moved(topic, pointer, minus_pointer, step, factor))
    return sorted(found, key=lambda one: -abs(one.step * one.factor))


def _places(topic: str, content: Topic, sources: set[tuple[str, str, str | None]]) -> Iterator[tuple[str, str | None]]:
    for part in members(content.payload):
        yield part.pointer, None
    for known, pointer, minus_pointer in sources:
        if known == topic and minus_pointer is not None:
            yield pointer, minus_pointer


def corrections(found: list[Moved], guesses: list[Suggestion]) -> list[Correction]:
    """What the test shows of the guessed signals."""
    scaled = []
    for guess in guesses:
        source = guess.source
        turns = _TURNS.get(source.signal)
        for one in found:
            if turns and (one.topic, one.pointer, one.minus_pointer) == (
                source.topic,
                source.pointer,
                source.minus_pointer,
            ):
                wanted = one.factor if one.step * turns > 0 else -one.factor
                why = say(
                    "when a kettle went on it moved by {step} as sent, which gives scale {wanted}",
                    step=Number(f"{one.step:+.4g}"),
                    wanted=Number(f"{wanted:g}"),
                )
                scaled.append(Correction(source.signal, wanted / source.scale, why))
    return scaled


def sentences(found: list[Moved], guesses: list[Suggestion]) -> list[str]:
    """What moved, and what that says, for people."""
    if not found:
        return [
            say(
                "nothing heard moved by a kettle's power ({least} to {most} W). Was it switched on when asked? A "
                "battery or a diverter may have covered it: try again at night, or with the heater off",
                least=Number(f"{LEAST_W:g}"),
                most=Number(f"{MOST_W:g}"),
            )
        ]
    named = {(one.source.topic, one.source.pointer, one.source.minus_pointer): one.source.signal for one in guesses}
    said = []
    for one in found:
        signal = named.get((one.topic, one.pointer, one.minus_pointer))
        place = toml_text(one.topic) + (f" {toml_text(one.pointer)}" if one.pointer else "")
        unit = "kW" if one.factor > 1 else "W"
        way = say("it rises when the house takes more") if one.step > 0 else say("it falls when the house takes more")
        what = (
            say("taken for {signal}", signal=signal)
            if signal
            else say("not yet taken for any signal; the meter, perhaps")
        )
        said.append(
            say(
                "{place} moved by {step} ({unit}): {way}. It is {what}",
                place=place,
                step=Number(f"{one.step:+.4g}"),
                unit=unit,
                way=way,
                what=what,
            )
        )
    return said
