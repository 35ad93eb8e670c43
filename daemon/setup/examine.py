"""All that was heard, examined: the guesses, and what kettle, balance and counters tell of them. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass

from daemon.setup.balance import Course, balance, counter_correction
from daemon.setup.corrections import corrected
from daemon.setup.kettle import corrections as of_kettle
from daemon.setup.kettle import moved, sentences
from daemon.setup.suggest import Suggestion, course_of, suggest
from daemon.setup.survey import Topic
from rules.model.wording import say

_COUNTED = (
    ("import_wh", "grid_w", 1.0),
    ("export_wh", "grid_w", -1.0),
    ("diverted_wh", "diverted_w", 1.0),
    ("topup_wh", "topup_w", 1.0),
)
"""Counters, the power that each counts, and the sign of the part that it counts."""


@dataclass(frozen=True, slots=True)
class Examined:
    """guesses: for each signal the likeliest; notes: what the tests found, sentences."""

    guesses: tuple[Suggestion, ...]
    notes: tuple[str, ...]


def examined(heard: Mapping[str, Topic], kettle: tuple[float, float] | None = None) -> Examined:
    """kettle: seconds by the survey's clock up to which a kettle was off and from which it was on; None: no test."""
    guesses = suggest(heard)
    notes: list[str] = []
    if kettle is not None:
        found = moved(heard, guesses, *kettle)
        notes += [say("sign test: {sentence}", sentence=sentence) for sentence in sentences(found, guesses)]
        guesses = corrected(guesses, of_kettle(found, guesses))
    balanced = balance(_courses(guesses, heard))
    if balanced.why_not:
        notes.append(say("balance: {why_not}", why_not=balanced.why_not))
    notes += [say("balance: {signal}: {why}", signal=one.signal, why=one.why) for one in balanced.corrections]
    guesses = corrected(guesses, balanced.corrections)
    courses = _courses(guesses, heard)
    pairs = [
        counter_correction(counter, courses[counter], courses[power], sign)
        for counter, power, sign in _COUNTED
        if counter in courses and power in courses
    ]
    known = [one for one in pairs if one is not None]
    notes += [say("counters: {signal}: {why}", signal=one.signal, why=one.why) for one in known]
    return Examined(tuple(corrected(guesses, known)), tuple(notes))


def _courses(guesses: list[Suggestion], heard: Mapping[str, Topic]) -> dict[str, Course]:
    return {one.source.signal: course_of(one.source, heard[one.source.topic]) for one in guesses}
