"""What the rules would have changed while they only watched, as JSON and in sentences: accounting.reports.watched."""

from collections.abc import Iterator, Sequence
from typing import Any

from accounting.ledger import Ledger
from accounting.ledger.tape import Row, readings_of
from accounting.reports.watched import (
    LONGEST_STEP_S,
    MODE,
    Meters,
    Span,
    Under,
    Watched,
    by_heater,
    watched,
    watched_spans,
)
from daemon.config.build import heater_signal
from daemon.config.model import Home
from daemon.documents.times import iso
from rules.model.formatting import duration
from rules.model.wording import Number, Sentence, joined, say

AT_A_TIME_S = 7 * 86_400.0
"""How much of the tape is unpacked at a time."""
LEFT_OUT = say(
    "This sets what was recorded beside what the rules said at each moment. It is no forecast: under "
    "their orders the tank would have held other heat, and later moments would have differed."
)


def watched_answer(ledger: Ledger, home: Home, from_s: float, to_s: float) -> dict[str, Any] | None:
    """What happened in the watched spans of [from_s, to_s), UTC seconds, by what the rules would have ordered.

    None where no orders were withheld from the heaters for watching. Raises LedgerError.
    """
    spans = watched_spans(ledger.events(float("-inf"), to_s, MODE), from_s, to_s)
    if not spans:
        return None
    start_s, end_s = spans[0][0], spans[-1][1]
    decided = by_heater([*ledger.decision_at(start_s), *ledger.decisions(start_s, end_s)])
    surplus = ("surplus_w", 1.0) if "surplus_w" in home.signals else ("grid_w", -1.0)
    meters = {
        name: Meters(
            heater_signal(home, "diverted_wh", name), heater_signal(home, "diverted_w", name), surplus, heater.rated_w
        )
        for name, heater in home.heaters.items()
    }
    own = (signal for each in meters.values() for signal in (each.counter, each.power) if signal is not None)
    found = watched(decided, _recorded(ledger, [*dict.fromkeys((surplus[0], *own))], spans), spans, meters)
    return {
        "spans": [{"from": iso(begun_s), "to": iso(ended_s)} for begun_s, ended_s in spans],
        "heaters": [_heater(name, each) for name, each in found.items()],
        "left_out": LEFT_OUT,
    }


def _recorded(ledger: Ledger, signals: Sequence[str], spans: Sequence[Span]) -> Iterator[Row]:
    """The tape's rows of some signals from the first span's start to the last one's end, ascending, where they touch a
    span. They are read a few days at a time: a year of minutes would not fit a small machine's memory."""
    begun_s, end_s = spans[0][0], spans[-1][1]
    while begun_s < end_s:
        until_s = min(begun_s + AT_A_TIME_S, end_s)
        if any(first_s - LONGEST_STEP_S < until_s and begun_s < last_s for first_s, last_s in spans):
            rows: dict[int, dict[str, float]] = {}
            for name, found in readings_of(ledger.tape(begun_s, until_s), signals, begun_s, until_s).items():
                for at_s, value in found:
                    rows.setdefault(at_s, {})[name] = value
            yield from sorted(rows.items())
        begun_s = until_s


def _heater(name: str, found: Watched) -> dict[str, Any]:
    return {
        "heater": name,
        "watched_s": round(found.watched_s),
        "unknown_s": round(found.unknown_s),
        "would_permit": _under(found.permitted),
        "would_withhold": _under(found.withheld),
        "withheld_by": {guard: _under(under) for guard, under in sorted(found.by_guard.items())},
    }


def _under(under: Under) -> dict[str, Any]:
    return {
        "seconds": round(under.seconds),
        "taken_kwh": round(under.taken_wh / 1000, 3),
        "left_kwh": round(under.left_wh / 1000, 3),
    }


def watched_sentences(answer: dict[str, Any] | None) -> list[str]:
    """The same in sentences; none where nothing was only watched."""
    if answer is None:
        return []
    said = []
    for one in answer["heaters"]:
        yes, no = one["would_permit"], one["would_withhold"]
        guards = [
            joined((name, Number(f"{under['taken_kwh']:.3f}")), " ")
            for name, under in one["withheld_by"].items()
            if under["taken_kwh"]
        ]
        watched_for = say(
            "For {time} brimful watched heater {heater} and sent no orders.",
            time=duration(one["watched_s"]),
            heater=one["heater"],
        )
        permitted = say(
            "Its rules would have permitted it for {time}: it took {taken} kWh then, and {left} kWh more that it could"
            " have taken left the house.",
            time=duration(yes["seconds"]),
            taken=Number(f"{yes['taken_kwh']:.3f}"),
            left=Number(f"{yes['left_kwh']:.3f}"),
        )
        withheld = say(
            "They would have withheld it for {time}: it took {taken} kWh then all the same",
            time=duration(no["seconds"]),
            taken=Number(f"{no['taken_kwh']:.3f}"),
        )
        if guards:
            withheld = say("{withheld} (by deciding rule: {rules})", withheld=withheld, rules=joined(guards))
        unknown = ""
        if one["unknown_s"] >= 60:
            unknown = say("Of {time} too little was recorded to say.", time=duration(one["unknown_s"]))
        sentence = joined((watched_for, permitted, Sentence(withheld), unknown), " ")
        said.append(sentence)
    return [*said, answer["left_out"]]
