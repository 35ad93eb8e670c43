"""Each rule as the sentences a person reads: "Stop at 95 % full, go on below 88 %", with the keys behind them."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from functools import reduce
from typing import Any

from daemon.web.page.views.figures import fixed, long_date, signal_words
from rules.model.formatting import duration
from rules.model.wording import Number, Sentence, joined, say

TITLES = {
    "limit": say("Temperature limit"),
    "full": say("Full tank"),
    "heaters": say("Several heaters"),
    "away": say("Away"),
    "hygiene": say("Whole tank hot"),
    "battery": say("House battery"),
    "yield": say("Other load first"),
    "worth": say("Is heat worth more?"),
    "alternate": say("Fair comparison"),
    "surplus": say("Surplus"),
    "rest": say("Minimum times"),
    "tracking": say("Following the surplus"),
}
"""How each rule is called where its key alone would be a riddle."""
Values = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Phrase:
    """One sentence. keys: the settings it is made of; advanced: seldom changed, so it is folded away."""

    text: str
    keys: tuple[str, ...]
    advanced: bool = False


def phrases(name: str, values: Values, currency: str) -> tuple[Phrase, ...]:
    """A rule's sentences; none for one that is not set, which then does nothing. values: by key, as `rule` shows them.

    A rule that has no sentence here is shown by its keys alone.
    """
    make = _MAKERS.get(name)
    return () if make is None else tuple(make(values, currency))


def _limit(values: Values, _: str) -> Iterable[Phrase]:
    hot, again = _number(values["maximum_c"]), _number(values["resume_below_c"])
    said = say("Stop at {level} °C anywhere in the tank, go on below {again} °C.", level=hot, again=again)
    yield Phrase(said, ("maximum_c", "resume_below_c"))


def _full(values: Values, _: str) -> Iterable[Phrase]:
    stop, again = _number(values["stop_at_pct"]), _number(values["resume_below_pct"])
    said = say("Stop at {level} % full, go on below {again} %.", level=stop, again=again)
    yield Phrase(said, ("stop_at_pct", "resume_below_pct"))
    yield Phrase(
        say(
            "A heater that may run but takes less than {power} W for {time} has been switched off by its own"
            " thermostat: try again once the level has fallen by {fall} %, at the latest after {longest}.",
            power=_number(values["idle_w"]),
            time=duration(values["idle_after_s"]),
            fall=_number(values["idle_fall_pct"]),
            longest=duration(values["retry_after_s"]),
        ),
        ("idle_w", "idle_after_s", "idle_fall_pct", "retry_after_s"),
        advanced=True,
    )


def _surplus(values: Values, _: str) -> Iterable[Phrase]:
    yield Phrase(
        say(
            "Start from {start} W of surplus, stop below {stop} W.",
            start=_number(values["start_w"]),
            stop=_number(values["stop_w"]),
        ),
        ("start_w", "stop_w"),
    )
    said = say("The surplus is averaged over {time}.", time=duration(values["over_s"]))
    yield Phrase(said, ("over_s",), advanced=True)


def _battery(values: Values, _: str) -> Iterable[Phrase]:
    if values["minimum_level_pct"] is not None:
        level = _number(values["minimum_level_pct"])
        said = say("The battery goes first until it is {level} % charged.", level=level)
        yield Phrase(said, ("minimum_level_pct",))
    if values["maximum_discharge_w"] is not None:
        most = _number(values["maximum_discharge_w"])
        said = say("Hold off while the battery gives more than {power} W.", power=most)
        yield Phrase(said, ("maximum_discharge_w",))


def _worth(values: Values, currency: str) -> Iterable[Phrase]:
    if not values["enabled"]:
        return
    margin, carbon = float(values["margin"]), float(values["carbon_price_per_t"])
    said: list[str] = [say("Divert only while a kWh is worth more as heat than sold")]
    keys = ["enabled"]
    if margin:
        said.append(say("by at least {money}", money=Number(f"{fixed(margin, 4)} {currency}")))
        keys.append("margin")
    if carbon:
        said.append(say("carbon counted at {money} a tonne", money=Number(f"{fixed(carbon)} {currency}")))
        keys.append("carbon_price_per_t")
    yield Phrase(Sentence(joined(said)), tuple(keys))


def _rest(values: Values, _: str) -> Iterable[Phrase]:
    on_s, off_s = values["minimum_on_s"], values["minimum_off_s"]
    if on_s:
        yield Phrase(say("Once on, stay on for at least {time}.", time=duration(on_s)), ("minimum_on_s",))
    if off_s:
        yield Phrase(say("Once off, stay off for at least {time}.", time=duration(off_s)), ("minimum_off_s",))


def _yield(values: Values, _: str) -> Iterable[Phrase]:
    if values.get("signal") is None or values.get("above_w") is None:
        return
    what, most = signal_words(values["signal"]), _number(values["above_w"])
    said = say("Hold off while {signal} draws more than {power} W", signal=what, power=most)
    if values.get("for_s"):
        said = joined((said, say("and for {time} after", time=duration(values["for_s"]))))
    yield Phrase(Sentence(said), ("signal", "above_w", "for_s"))


def _away(values: Values, _: str) -> Iterable[Phrase]:
    for absence in values["periods"] or ():
        begin, end = _day(absence["from"]), _day(absence["to"])
        yield Phrase(say("Away from {begin} to {end}.", begin=begin, end=end), ("periods",))
    if values["calendar_file"]:
        said = say("Away at every event of the calendar {file}.", file=values["calendar_file"])
        yield Phrase(said, ("calendar_file",))
    if values["hot_on_return"]:
        yield Phrase(say("Heat the tank before the return, from the grid too."), ("hot_on_return",))


def _hygiene(values: Values, _: str) -> Iterable[Phrase]:
    if values.get("at_c") is None:
        return
    hold, days = duration(values["hold_minutes"] * 60), duration(values["every_days"] * 86_400)
    hot = _number(values["at_c"])
    said = say(
        "The whole tank is to be at {level} °C for {hold}, every {days} at the latest.", level=hot, hold=hold, days=days
    )
    yield Phrase(said, ("at_c", "hold_minutes", "every_days"))
    if values["heat"]:
        said = say("Where the sun has not done it by the last day, heat, from the grid too.")
        if values["heater"]:
            said = say(
                "Where the sun has not done it by the last day, heat with heater {heater}, from the grid too.",
                heater=values["heater"],
            )
        yield Phrase(said, ("heat", "heater"))
    else:
        yield Phrase(say("Only count the days and raise the alarm: something else heats for it."), ("heat",))
    if values["thermostat_on_c"] is not None:
        yield Phrase(
            say(
                "No sensor at the bottom: its thermostat, which heats again below {level} °C, stands for one.",
                level=_number(values["thermostat_on_c"]),
            ),
            ("thermostat_on_c",),
            advanced=True,
        )


def _alternate(values: Values, _: str) -> Iterable[Phrase]:
    if values["from"] is None:
        return
    pairs, days, settle = (int(values[key]) for key in ("pairs", "block_days", "settle_days"))
    keys = ("from", "pairs", "block_days", "settle_days", "seed")
    said = say(
        "From {begin}, {pairs} pairs of blocks of {days} days: one of each pair without diversion, in an order left to"
        " chance. The first {settle} of each block do not count.",
        begin=_day(values["from"]),
        pairs=pairs,
        days=days,
        settle=settle,
    )
    yield Phrase(said, keys)


def _heaters(values: Values, _: str) -> Iterable[Phrase]:
    if values["prefer"]:
        first, *others = values["prefer"]
        order = reduce(lambda said, name: say("{first}, then {next}", first=said, next=name), others, first)
        yield Phrase(say("{heaters} first.", heaters=order), ("prefer",))
    if values["together"]:
        yield Phrase(say("Several may be on together."), ("together",))


def _tracking(values: Values, _: str) -> Iterable[Phrase]:
    yield Phrase(
        say("A heater that follows the surplus leaves {power} W to the grid.", power=_number(values["margin_w"])),
        ("margin_w",),
        advanced=True,
    )
    yield Phrase(
        say(
            "After {turns} turns within {time} its steps are halved.",
            turns=_number(values["reversals"]),
            time=duration(values["over_s"]),
        ),
        ("reversals", "over_s"),
        advanced=True,
    )


_MAKERS = {
    "limit": _limit,
    "full": _full,
    "surplus": _surplus,
    "battery": _battery,
    "worth": _worth,
    "rest": _rest,
    "yield": _yield,
    "away": _away,
    "alternate": _alternate,
    "hygiene": _hygiene,
    "heaters": _heaters,
    "tracking": _tracking,
}


def _number(value: Any) -> Number:
    text = fixed(float(value), 3).rstrip("0").rstrip(".")
    return Number(text or "0")


def _day(value: Any) -> str:
    """A day or a moment as it is written in the file, a bare day in words."""
    text = str(value)
    try:
        return long_date(date.fromisoformat(text))
    except ValueError:
        return text.replace("T", " ")
