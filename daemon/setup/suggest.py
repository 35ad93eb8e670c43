"""Guesses which signal a topic carries: by the words in its name, the unit, the range, and how it behaved. Pure.

A guess says what it rests on and what is doubtful about it; nothing is passed off as known.
"""

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from daemon.inputs.decode import Decoded, Source, decode
from daemon.setup.behaviour import doubts_of, fits, offers_of, resting_s, seen
from daemon.setup.members import Member, members, stands_in_text
from daemon.setup.survey import Topic
from daemon.setup.vocabulary import KILO, PAIRS, RULES, UNITS, is_power, words_of
from rules.model.signals import SIGNALS
from rules.model.wording import Number, joined, say

SIGNED = ("grid_w", "surplus_w", "battery_w")
"""Signals whose sign two makers may mean in two ways."""
_MOST_ALTERNATIVES = 3
_LONGEST = 1000
"""Characters of a topic or a pointer that a home file takes."""
Rank = tuple[int, int, int]


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A guess.

    why: what it rests on; value: what the latest payload gives with it, in the signal's unit; doubts: sentences on what
    may be wrong; alternatives: other places that it may be, the likelier first; stale_after_s: how long a value has to
    count for the pace at which it came, None: the usual time does; offers: keys for its owner to decide about.
    """

    source: Source
    why: str
    value: float
    doubts: tuple[str, ...] = ()
    alternatives: tuple[Source, ...] = ()
    stale_after_s: float | None = None
    offers: tuple[str, ...] = ()


def suggest(heard: Mapping[str, Topic]) -> list[Suggestion]:
    """For each signal the likeliest topic (and member, of JSON), in the order of the table of signals."""
    found: dict[str, list[tuple[Rank, Suggestion]]] = {}
    for topic, content in heard.items():
        if len(topic) > _LONGEST:
            continue
        for suggestion, rank in _of_topic(topic, content):
            found.setdefault(suggestion.source.signal, []).append((rank, suggestion))
    chosen = []
    for signal in SIGNALS:
        if signal not in found:
            continue
        ranked = [one for _, one in sorted(found[signal], key=lambda one: one[0], reverse=True)]
        others = tuple(one.source for one in ranked[1 : 1 + _MOST_ALTERNATIVES])
        chosen.append(replace(ranked[0], alternatives=others))
    return chosen


def signals_table(suggestions: Sequence[Suggestion]) -> str:
    """The suggestions as tables for the home file, each with its reason and its doubts as comments."""
    return "\n".join(signal_table(found) for found in suggestions)


def signal_table(found: Suggestion) -> str:
    """One of them."""
    unit = SIGNALS[found.source.signal].unit
    said = [f"{found.why}; now {found.value:.10g} {unit}. Check before use."]
    said += [f"DOUBTFUL: {doubt}" for doubt in found.doubts]
    said += [f"or: {place(other)}" for other in found.alternatives]
    return source_table(found.source, [*said, *found.offers], found.stale_after_s)


def source_table(source: Source, said: Sequence[str] = (), stale_after_s: float | None = None) -> str:
    """A source as its table of the home file. said: comments."""
    lines = [f"[signals.{source.signal}]   # {SIGNALS[source.signal].about}", *(f"# {line}" for line in said)]
    lines.append(f"topic = {toml_text(source.topic)}")
    if source.pointer:
        lines.append(f"pointer = {toml_text(source.pointer)}")
    if source.minus_pointer is not None:
        lines.append(f"minus_pointer = {toml_text(source.minus_pointer)}")
    if source.scale != 1.0:
        lines.append(f"scale = {source.scale:g}")
    if source.time_pointer is not None:
        lines.append(f"time_pointer = {toml_text(source.time_pointer)}")
    if stale_after_s is not None:
        lines.append(f"stale_after_s = {stale_after_s:g}")
    return "\n".join(lines) + "\n"


def place(source: Source) -> str:
    """Where a source is heard, as keys of its table on one line."""
    said = [f"topic = {toml_text(source.topic)}"]
    if source.pointer:
        said.append(f"pointer = {toml_text(source.pointer)}")
    if source.minus_pointer is not None:
        said.append(f"minus_pointer = {toml_text(source.minus_pointer)}")
    if source.scale != 1.0:
        said.append(f"scale = {source.scale:g}")
    return ", ".join(said)


def toml_text(text: str) -> str:
    """A TOML basic string."""
    # JSON's escapes are TOML's, except that TOML has no surrogate pairs and wants U+007F escaped.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _of_topic(topic: str, content: Topic) -> Iterator[tuple[Suggestion, Rank]]:
    parts = [part for part in members(content.payload) if len(part.pointer) <= _LONGEST]
    pairs = list(_pairs(topic, parts))
    halves = {(signal, pointer) for signal, source in pairs for pointer in (source.pointer, source.minus_pointer)}
    for _, source in pairs:
        why = say(
            "guessed from two members, one for each direction, of {topic}",
            topic=toml_text(topic),
        )
        yield from _judged(source, content, why, (2, 0))
    for member in parts:
        words = frozenset((*words_of(topic), *words_of(member.pointer)))
        last = words_of(member.pointer or topic.rpartition("/")[2])
        for signal, (groups, never) in RULES.items():
            if words & never or not all(words & group for group in groups) or (signal, member.pointer) in halves:
                continue
            scale = 1000.0 if words & KILO and SIGNALS[signal].unit in ("W", "Wh") else 1.0
            source = Source(signal, topic, member.pointer, scale, time_pointer=member.time_pointer)
            met_words = sorted(set().union(*groups) & words)
            # A name whose last part says it is a better guess than one whose folder does.
            rank = (sum(word in last for word in met_words), len(met_words))
            yield from _judged(source, content, say("guessed from {words}", words=joined(met_words)), rank)


def _pairs(topic: str, parts: Sequence[Member]) -> Iterator[tuple[str, Source]]:
    """Powers whose two directions are two members that differ in nothing but the word of the direction."""
    named = [(part, words_of(part.pointer)) for part in parts if part.pointer]
    folder = frozenset(words_of(topic))
    for signal, (thing, plus, minus) in PAIRS.items():
        for part, words in named:
            ways = set(words) & plus
            all_words = folder | set(words)
            if len(ways) != 1 or not all_words & thing or not is_power(frozenset(all_words)):
                continue
            rest = [word for word in words if word not in plus]
            for other, others in named:
                if set(others) & minus and [word for word in others if word not in minus] == rest:
                    scale = 1000.0 if all_words & KILO else 1.0
                    yield (
                        signal,
                        Source(
                            signal,
                            topic,
                            part.pointer,
                            scale,
                            minus_pointer=other.pointer,
                            time_pointer=part.time_pointer,
                        ),
                    )


def _judged(source: Source, content: Topic, why: str, names: tuple[int, int]) -> Iterator[tuple[Suggestion, Rank]]:
    """The guess with what its values show of it; none where the latest payload gives no value."""
    now = decode(content.payload, source)
    if not isinstance(now, Decoded):
        return
    course = seen(course_of(source, content) or [(0.0, now.value)])
    states_unit = _states_unit(source, content.payload)
    source, doubts = doubts_of(source, course, content, states_unit)
    decoded = decode(content.payload, source)
    if not isinstance(decoded, Decoded):
        return
    if source.signal in SIGNED:
        said = SIGNALS[source.signal].about
        doubts.append(
            say(
                "the sign: {about}. If it is the other way round, turn it: scale = {scale}",
                about=said,
                scale=Number(f"{-source.scale:g}"),
            )
        )
    rest_s = resting_s(source.signal, content)
    offers = offers_of(source.signal, content)
    guess = Suggestion(source, why, decoded.value, tuple(doubts), (), rest_s, offers)
    yield guess, (fits(source.signal, course), *names)


def course_of(source: Source, content: Topic) -> list[tuple[float, float]]:
    """When a source was heard live, s by the survey's clock, and its values, in the signal's unit."""
    answers = ((at_s, decode(payload, source)) for at_s, payload in content.samples)
    return [(at_s, answer.value) for at_s, answer in answers if isinstance(answer, Decoded)]


def _states_unit(source: Source, payload: bytes) -> bool:
    """Whether its name or its payload says the unit."""
    words = frozenset((*words_of(source.topic), *words_of(source.pointer)))
    return bool(words & (UNITS | {"pct", "percent"})) or stands_in_text(payload, source.path)
