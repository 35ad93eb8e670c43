"""The columns of a readings file that a study needs, read fast, and mended where that is safe to do."""

from collections.abc import Callable
from itertools import pairwise
from math import isnan, nan

from daemon.inputs.readings_file import OP, ReadingsFile
from rules.model.errors import BrimfulError
from rules.model.signals import SIGNALS
from rules.model.wording import Number, joined, say, say_many

_POWERS = ("house_w", "pv_w", "battery_w", "grid_w", "topup_w")
_WANTED = (*_POWERS, "topup_wh", "tank_level_pct", "drawn_wh", "water_l", "import_wh", "export_wh")
_METER = ("import_wh", "export_wh")
_HEATERS = ("diverted_w", "diverted_wh")
_MOST_W = 20_000.0
"""More than the heaters of a house take: a counter's step that says so is none."""
_LONGEST_HOLD_S = 1800
_STILL_S = 6 * 3600
"""A load that shows the very same figure for so long is worth a word."""
_NIGHT_W = 50.0
"""Where an inverter falls silent below this, it sleeps: its silence counts as no sun."""


class Columns:
    """The file's rows in order, a list for each column that matters; nan where a cell is empty or no reading.

    at_s: UTC seconds, ascending; metered: whether all there is of house and sun is what the meter bought and sold.
    Raises BrimfulError for a file without house or sun.
    """

    def __init__(self, file: ReadingsFile) -> None:
        names = set(file.signals)
        self.metered = not names & {"house_w", "grid_w"} and names >= set(_METER)
        if not self.metered and not names & {"house_w", "grid_w"}:
            hint = "the house's use without the water heater; or grid_w, or the meter's import_wh and export_wh"
            raise BrimfulError(OP, file.name, "expected a column house_w, got none", hint)
        if not self.metered and "pv_w" not in names and "grid_w" not in names:
            raise BrimfulError(OP, file.name, "expected a column pv_w, got none", "a study needs the sun's power")
        self.at_s: list[int] = []
        self.columns: dict[str, list[float]] = {
            name: [] for name in file.signals if name in _WANTED or _base(name) in _HEATERS
        }
        self._file = file
        self._disorder = 0

    def read(self, progress: Callable[[int], None]) -> None:
        """Go through the file."""
        file, at_s, last_s = self._file, self.at_s, -1
        places = [
            (column, file.signals.index(name) + 1, SIGNALS[_base(name)].lowest, SIGNALS[_base(name)].highest, name)
            for name, column in self.columns.items()
        ]
        for line, instant_s, row in file.cells():
            second = round(instant_s)
            if second <= last_s:
                self._disorder += 1
                continue
            at_s.append(second)
            last_s = second
            for column, place, lowest, highest, name in places:
                cell = row[place]
                if not cell:
                    column.append(nan)
                    continue
                try:
                    value = float(cell)
                except ValueError:
                    value = nan
                if lowest <= value <= highest:
                    column.append(value)
                else:
                    column.append(nan)
                    file.refusals.add(name, line, cell, "is no reading")
            if len(at_s) % 50_000 == 0:
                progress(len(at_s))

    def notes(self) -> list[str]:
        """What was passed over."""
        refusals = self._file.refusals
        notes = [
            say_many(
                "{name}: one cell refused: {first}",
                "{name}: {n} cells refused, the first: {first}",
                count,
                name=name,
                first=refusals.first[name],
            )
            for name, count in refusals.count.items()
        ]
        if self._disorder:
            notes.append(
                say_many(
                    "one row passed over: not later than the row before",
                    "{n} rows passed over: not later than the row before",
                    self._disorder,
                )
            )
        if ignored := sorted(set(self._file.signals) - set(self.columns)):
            notes.append(say("columns a study has no use for: {ignored}", ignored=joined(ignored)))
        return notes

    def mend(self, step_s: int, notes: list[str]) -> list[float]:
        """Fill what may be filled, each way with a word in notes; returns the house without its water heaters, W.

        step_s: the rows' usual step. A power that is recorded less often than the rows holds until its
        next reading, half an hour at most.
        """
        columns = self.columns
        if self.metered:
            notes.append(
                say(
                    "import_wh, export_wh: what was sold is the surplus there was, what was bought the house's need; "
                    "within a row the bought comes first and the sold last, each for its share of the time: a guess, "
                    "which on a recorded year gave the sun's heat within 1 % of what its minutes did"
                )
            )
            bought_w, columns["pv_w"] = (_gained(self.at_s, columns[name]) for name in _METER)
            return bought_w
        for name in _POWERS:
            usual_s = self._file.step_s.get(name)
            if name in columns and usual_s is not None and usual_s > step_s:
                _hold(self.at_s, columns[name], min(1.5 * usual_s, _LONGEST_HOLD_S))
        if "pv_w" not in columns:
            columns["pv_w"] = [0.0] * len(self.at_s)
            notes.append(say("no column pv_w: the house stands for itself less its sun, as the meter shows them"))
        _fill_sun(self.at_s, columns["pv_w"], notes)
        house_w = columns["house_w"] if "house_w" in columns else _house(self.at_s, columns, notes)
        _note_stillness(self.at_s, house_w, notes)
        return house_w


def _base(name: str) -> str:
    """The signal behind a heater's own, as `diverted_w_upper`."""
    return next((base for base in ("diverted_wh", "diverted_w") if name.startswith(base)), name)


def _hold(at_s: list[int], column: list[float], limit_s: float) -> None:
    held, held_s = nan, 0
    for place, value in enumerate(column):
        if not isnan(value):
            held, held_s = value, at_s[place]
        elif at_s[place] - held_s <= limit_s:
            column[place] = held


def _fill_sun(at_s: list[int], pv_w: list[float], notes: list[str]) -> None:
    """Takes an inverter's silence at night, between two readings of hardly any sun, as no sun."""
    filled, last_w, start = 0, 0.0, -1
    for place, power_w in enumerate([*pv_w, 0.0]):
        if isnan(power_w):
            start = place if start < 0 else start
            continue
        if start >= 0:
            if last_w < _NIGHT_W and power_w < _NIGHT_W and place < len(pv_w):
                pv_w[start:place] = [0.0] * (place - start)
                filled += place - start
            start = -1
        last_w = power_w
    if filled:
        notes.append(
            say(
                "pv_w: {filled} empty cells between readings below {night} W taken as no sun",
                filled=filled,
                night=Number(f"{_NIGHT_W:g}"),
            )
        )
    dark = [power_w for second, power_w in zip(at_s, pv_w, strict=True) if power_w > 0]
    if dark and len(dark) == sum(not isnan(power_w) for power_w in pv_w) and at_s[-1] - at_s[0] > 2 * 86_400:
        notes.append(say("pv_w: shows power at every hour, nights too; taken as it stands: is it the sun's alone?"))


def _house(at_s: list[int], columns: dict[str, list[float]], notes: list[str]) -> list[float]:
    """The house without its water heaters, worked out at the meter: what is bought, and what else comes or goes."""
    house_w = [grid + pv for grid, pv in zip(columns["grid_w"], columns["pv_w"], strict=True)]
    taken = [name for name in ("battery_w", "topup_w") if name in columns]
    powers = [name for name in columns if _base(name) == "diverted_w"]
    counters = [name for name in columns if _base(name) == "diverted_wh"] if not powers else []
    counters += ["topup_wh"] if "topup_wh" in columns and "topup_w" not in columns else []
    for name in (*taken, *powers, *counters):
        power_w = columns[name] if name not in counters else _rate(at_s, columns[name])
        house_w = [load - (0.0 if isnan(part) else part) for load, part in zip(house_w, power_w, strict=True)]
    notes.append(
        say(
            "house_w worked out: {sum}",
            sum=" - ".join(("grid_w + pv_w", *taken, *powers, *counters)),
        )
    )
    return house_w


def _gained(at_s: list[int], counter_wh: list[float]) -> list[float]:
    """A counter's mean power from each row to the next, W; nan for the last, and where it fell."""
    means = [
        (later_wh - wh) * 3600.0 / (later_s - second) if later_wh >= wh else nan
        for (second, wh), (later_s, later_wh) in pairwise(zip(at_s, counter_wh, strict=True))
    ]
    return [*means, nan]


def _rate(at_s: list[int], counter_wh: list[float]) -> list[float]:
    """A counter's power, W: each of its steps spread over the time since the step before, an hour at most."""
    power_w = [0.0] * len(at_s)
    last_wh, since = nan, 0
    for place, value in enumerate(counter_wh):
        if isnan(value) or value == last_wh:
            continue
        while at_s[place] - at_s[since] > 3600:
            since += 1
        if value > last_wh and place > since:
            mean_w = (value - last_wh) * 3600.0 / (at_s[place] - at_s[since])
            if mean_w <= _MOST_W:
                power_w[since:place] = [mean_w] * (place - since)
        last_wh, since = value, place
    return power_w


def _note_stillness(at_s: list[int], house_w: list[float], notes: list[str]) -> None:
    """Says so where the load, changing elsewhere, stands still for hours: a meter that has frozen?"""
    longest_s, start, when = 0, 0, 0
    for place in range(1, len(house_w) + 1):
        if place < len(house_w) and house_w[place] == house_w[start]:
            continue
        if house_w[start] and at_s[place - 1] - at_s[start] > longest_s:
            longest_s, when = at_s[place - 1] - at_s[start], start
        start = place
    if longest_s >= _STILL_S and longest_s < (at_s[-1] - at_s[0]) / 2:
        notes.append(
            say(
                "house_w: {house} W without a change for {longest} h from row {row}; taken as it stands: has "
                "the meter frozen?",
                house=Number(f"{house_w[when]:g}"),
                longest=Number(f"{longest_s / 3600:.1f}"),
                row=when + 1,
            )
        )
