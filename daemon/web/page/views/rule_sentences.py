"""Each rule as the sentences a person reads: "Stop at 95 % full, go on below 88 %", with the keys behind them."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from daemon.web.page.views.figures import fixed, long_date, signal_words
from rules.model.formatting import duration

TITLES = {
    "limit": "Temperature limit",
    "full": "Full tank",
    "heaters": "Several heaters",
    "away": "Away",
    "hygiene": "Whole tank hot",
    "battery": "House battery",
    "yield": "Other load first",
    "worth": "Is heat worth more?",
    "alternate": "Fair comparison",
    "surplus": "Surplus",
    "rest": "Minimum times",
    "tracking": "Following the surplus",
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
    yield Phrase(f"Stop at {hot} °C anywhere in the tank, go on below {again} °C.", ("maximum_c", "resume_below_c"))


def _full(values: Values, _: str) -> Iterable[Phrase]:
    stop, again = _number(values["stop_at_pct"]), _number(values["resume_below_pct"])
    yield Phrase(f"Stop at {stop} % full, go on below {again} %.", ("stop_at_pct", "resume_below_pct"))
    yield Phrase(
        f"A heater that may run but takes less than {_number(values['idle_w'])} W for"
        f" {duration(values['idle_after_s'])} has been switched off by its own thermostat: try again once"
        f" the level has fallen by {_number(values['idle_fall_pct'])} %, at the latest after"
        f" {duration(values['retry_after_s'])}.",
        ("idle_w", "idle_after_s", "idle_fall_pct", "retry_after_s"),
        advanced=True,
    )


def _surplus(values: Values, _: str) -> Iterable[Phrase]:
    yield Phrase(
        f"Start from {_number(values['start_w'])} W of surplus, stop below {_number(values['stop_w'])} W.",
        ("start_w", "stop_w"),
    )
    yield Phrase(f"The surplus is averaged over {duration(values['over_s'])}.", ("over_s",), advanced=True)


def _battery(values: Values, _: str) -> Iterable[Phrase]:
    if values["minimum_level_pct"] is not None:
        level = _number(values["minimum_level_pct"])
        yield Phrase(f"The battery goes first until it is {level} % charged.", ("minimum_level_pct",))
    if values["maximum_discharge_w"] is not None:
        most = _number(values["maximum_discharge_w"])
        yield Phrase(f"Hold off while the battery gives more than {most} W.", ("maximum_discharge_w",))


def _worth(values: Values, currency: str) -> Iterable[Phrase]:
    if not values["enabled"]:
        return
    margin, carbon = float(values["margin"]), float(values["carbon_price_per_t"])
    said = "Divert only while a kWh is worth more as heat than sold"
    keys = ["enabled"]
    if margin:
        said += f", by at least {fixed(margin, 4)} {currency}"
        keys.append("margin")
    if carbon:
        said += f", carbon counted at {fixed(carbon)} {currency} a tonne"
        keys.append("carbon_price_per_t")
    yield Phrase(f"{said}.", tuple(keys))


def _rest(values: Values, _: str) -> Iterable[Phrase]:
    on_s, off_s = values["minimum_on_s"], values["minimum_off_s"]
    if on_s:
        yield Phrase(f"Once on, stay on for at least {duration(on_s)}.", ("minimum_on_s",))
    if off_s:
        yield Phrase(f"Once off, stay off for at least {duration(off_s)}.", ("minimum_off_s",))


def _yield(values: Values, _: str) -> Iterable[Phrase]:
    if values.get("signal") is None or values.get("above_w") is None:
        return
    said = f"Hold off while {signal_words(values['signal'])} draws more than {_number(values['above_w'])} W"
    after = f", and for {duration(values['for_s'])} after" if values.get("for_s") else ""
    yield Phrase(f"{said}{after}.", ("signal", "above_w", "for_s"))


def _away(values: Values, _: str) -> Iterable[Phrase]:
    for absence in values["periods"] or ():
        yield Phrase(f"Away from {_day(absence['from'])} to {_day(absence['to'])}.", ("periods",))
    if values["calendar_file"]:
        yield Phrase(f"Away at every event of the calendar {values['calendar_file']}.", ("calendar_file",))
    if values["hot_on_return"]:
        yield Phrase("Heat the tank before the return, from the grid too.", ("hot_on_return",))


def _hygiene(values: Values, _: str) -> Iterable[Phrase]:
    if values.get("at_c") is None:
        return
    hold, days = duration(values["hold_minutes"] * 60), duration(values["every_days"] * 86_400)
    yield Phrase(
        f"The whole tank is to be at {_number(values['at_c'])} °C for {hold}, every {days} at the latest.",
        ("at_c", "hold_minutes", "every_days"),
    )
    if values["heat"]:
        heater = f" with heater {values['heater']}" if values["heater"] else ""
        yield Phrase(
            f"Where the sun has not done it by the last day, heat{heater}, from the grid too.", ("heat", "heater")
        )
    else:
        yield Phrase("Only count the days and raise the alarm: something else heats for it.", ("heat",))
    if values["thermostat_on_c"] is not None:
        yield Phrase(
            f"No sensor at the bottom: its thermostat, which heats again below {_number(values['thermostat_on_c'])} °C,"
            " stands for one.",
            ("thermostat_on_c",),
            advanced=True,
        )


def _alternate(values: Values, _: str) -> Iterable[Phrase]:
    if values["from"] is None:
        return
    pairs, days, settle = (int(values[key]) for key in ("pairs", "block_days", "settle_days"))
    keys = ("from", "pairs", "block_days", "settle_days", "seed")
    yield Phrase(
        f"From {_day(values['from'])}, {pairs} pairs of blocks of {days} days: one of each pair without diversion, in"
        f" an order left to chance. The first {settle} of each block do not count.",
        keys,
    )


def _heaters(values: Values, _: str) -> Iterable[Phrase]:
    if values["prefer"]:
        yield Phrase(f"{', then '.join(values['prefer'])} first.", ("prefer",))
    if values["together"]:
        yield Phrase("Several may be on together.", ("together",))


def _tracking(values: Values, _: str) -> Iterable[Phrase]:
    yield Phrase(
        f"A heater that follows the surplus leaves {_number(values['margin_w'])} W to the grid.",
        ("margin_w",),
        advanced=True,
    )
    yield Phrase(
        f"After {_number(values['reversals'])} turns within {duration(values['over_s'])} its steps are halved.",
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


def _number(value: Any) -> str:
    text = fixed(float(value), 3).rstrip("0").rstrip(".")
    return text or "0"


def _day(value: Any) -> str:
    """A day or a moment as it is written in the file, a bare day in words."""
    text = str(value)
    try:
        return long_date(date.fromisoformat(text))
    except ValueError:
        return text.replace("T", " ")
