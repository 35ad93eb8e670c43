"""What a study needs of a readings file: the house, the sun, the battery and the hot water, minute by minute, exact.

A row's powers stand for the time until the next row, at most one and a half of the file's usual steps; what is longer
is a gap, over which the row stands for one step and the rest is left out of the study. Rows more than a minute apart
are cut into minutes. Powers are whole milliwatts, so that energies in mW·s add up exactly.
"""

from array import array
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from itertools import pairwise
from math import isnan

from accounting.reports.monthly_estimate import Month
from accounting.reports.study_figures import MWS_PER_WH
from daemon.inputs.readings_file import OP, ReadingsFile
from daemon.simulation.study.columns import Columns
from daemon.simulation.study.hot_water import Wanted, counted
from rules.model.errors import BrimfulError
from rules.model.wording import Number, say

LONGEST_S = 60
MWS_PER_KWH = 1000 * MWS_PER_WH
_COARSE_S = 600
"""Rows this far apart hide something worth a word."""


@dataclass(slots=True)
class Recording:
    """The recorded time, cut into pieces of at most a minute.

    name: the file's; step_s: its usual step; at_s, length_s: each piece's start (UTC seconds) and length; gross_mw: sun
    less house less battery, what there is for the heaters; battery_mw: + charging; need_wh: heat wanted at the taps;
    days: by UTC day since 1970, the sun's and the house's energy, mW·s; house_mws, pv_mws, battery_mws: in all;
    first_level_pct: the tank's first recorded level; left_out_s: gaps; metered: whether house and sun are what the
    meter bought and sold; notes: what a person should know of the file.
    """

    name: str
    step_s: int
    at_s: "array[int]" = field(default_factory=lambda: array("q"))
    length_s: "array[int]" = field(default_factory=lambda: array("q"))
    gross_mw: "array[int]" = field(default_factory=lambda: array("q"))
    battery_mw: "array[int]" = field(default_factory=lambda: array("q"))
    need_wh: "array[float]" = field(default_factory=lambda: array("d"))
    days: dict[int, list[int]] = field(default_factory=dict)
    house_mws: int = 0
    pv_mws: int = 0
    battery_mws: int = 0
    first_level_pct: float | None = None
    left_out_s: int = 0
    metered: bool = False
    notes: list[str] = field(default_factory=list)

    @property
    def from_s(self) -> int:
        """UTC second at which it begins."""
        return self.at_s[0]

    @property
    def to_s(self) -> int:
        """UTC second at which it ends."""
        return self.at_s[-1] + self.length_s[-1]


def read(file: ReadingsFile, wanted: Wanted, progress: Callable[[int], None] = lambda _: None) -> Recording:
    """The recording in a readings file. wanted: how the household's hot water becomes heat. progress: the rows read.

    Raises BrimfulError for a file without house or sun, with fewer than two rows, or that is no readings file.
    """
    rows = Columns(file)
    rows.read(progress)
    at_s, columns = rows.at_s, rows.columns
    if len(at_s) < 2:
        raise BrimfulError(
            OP, file.name, f"expected at least two rows, got {len(at_s)}", "a study needs days, or a year"
        )
    step_s = _usual_step(at_s)
    found = Recording(file.name, step_s, metered=rows.metered, notes=rows.notes())
    house_w = rows.mend(step_s, found.notes)
    ends_s = _ends(at_s, step_s)
    needs_wh = counted(at_s, ends_s, columns, wanted, found.notes)
    _cut(found, at_s, ends_s, house_w, columns, needs_wh, rows.metered)
    if not found.at_s:
        raise BrimfulError(OP, file.name, "expected rows with house and sun, got none")
    if not {"drawn_wh", "water_l"} & set(columns):
        found.notes.append(wanted.note)
        found.need_wh = array("d", wanted.by_profile(found.at_s))
    if not rows.metered:
        _note_coarseness(found)
    if found.left_out_s:
        found.notes.append(
            say(
                "left out, for want of readings: {left_out} h",
                left_out=Number(f"{found.left_out_s / 3600:.1f}"),
            )
        )
    return found


def months(recording: Recording) -> list[Month]:
    """The recording's months (UTC), as the monthly estimate reads them."""
    found: dict[str, list[float]] = {}
    for day, (sun_mws, house_mws) in recording.days.items():
        month = found.setdefault(_month(day), [0.0, 0.0, 0.0])
        month[0] += sun_mws / MWS_PER_KWH
        month[1] += house_mws / MWS_PER_KWH
    for at_s, need_wh in zip(recording.at_s, recording.need_wh, strict=True):
        if need_wh:
            found[_month(at_s // 86_400)][2] += need_wh / 1000
    return [Month(*figures) for figures in found.values()]


@cache
def _month(day: int) -> str:
    return datetime.fromtimestamp(day * 86_400, UTC).strftime("%Y-%m")


def _usual_step(at_s: list[int]) -> int:
    gaps = sorted(later - earlier for earlier, later in pairwise(at_s))
    return max(gaps[len(gaps) // 2], 1)


def _ends(at_s: list[int], step_s: int) -> list[int]:
    """Until when each row stands."""
    ends = [later if later - earlier <= 1.5 * step_s else earlier + step_s for earlier, later in pairwise(at_s)]
    return [*ends, at_s[-1] + step_s]


def _note_coarseness(found: Recording) -> None:
    """Bounds what rows far apart hide."""
    if found.step_s < _COARSE_S:
        return
    least = sum(gross * length for gross, length in zip(found.gross_mw, found.length_s, strict=True) if gross > 0)
    found.notes.append(
        say(
            "rows {step} min apart: sun and load that alternate within a row cancel out; the surplus was "
            "{least} kWh at least (by the rows' means) and {most} at most (all of the sun). On a recorded "
            "year half-hour means showed 4 % less surplus than its minutes, 4 % less sun in the tank and a "
            "bill 1 % lower",
            step=Number(f"{found.step_s / 60:g}"),
            least=Number(f"{least / 3.6e9:.0f}"),
            most=Number(f"{found.pv_mws / 3.6e9:.0f}"),
        )
    )


def _cut(
    found: Recording,
    at_s: list[int],
    ends_s: list[int],
    house_w: list[float],
    columns: dict[str, list[float]],
    needs_wh: list[float],
    apart: bool,
) -> None:
    """Cuts the rows into pieces, and leaves out those without house or sun."""
    pv_w, stored = columns["pv_w"], columns.get("battery_w")
    levels = columns.get("tank_level_pct", [])
    found.first_level_pct = next((level for level in levels if not isnan(level)), None)
    silent = 0
    for place, start_s in enumerate(at_s):
        end_s = ends_s[place]
        if place + 1 < len(at_s):
            found.left_out_s += at_s[place + 1] - end_s
        house, sun = house_w[place], pv_w[place]
        battery = stored[place] if stored is not None else 0.0
        if isnan(battery):
            battery, silent = 0.0, silent + 1
        if isnan(house) or isnan(sun):
            found.left_out_s += end_s - start_s
            continue
        house_mw, sun_mw, battery_mw = round(house * 1000), round(sun * 1000), round(battery * 1000)
        whole_s = end_s - start_s
        day = found.days.setdefault(start_s // 86_400, [0, 0])
        found.battery_mws += battery_mw * whole_s
        for length_s, piece_sun, piece_house in _pieces(whole_s, sun_mw, house_mw, apart):
            day[0] += piece_sun * length_s
            day[1] += piece_house * length_s
            found.at_s.append(start_s)
            found.length_s.append(length_s)
            found.gross_mw.append(piece_sun - piece_house - battery_mw)
            found.battery_mw.append(battery_mw)
            found.need_wh.append(needs_wh[place] * length_s / whole_s)
            start_s += length_s
    found.pv_mws, found.house_mws = (sum(day[kind] for day in found.days.values()) for kind in (0, 1))
    if silent:
        found.notes.append(say("battery_w: {silent} rows without it, taken as 0 W", silent=silent))


def _pieces(whole_s: int, sun_mw: int, house_mw: int, apart: bool) -> Iterator[tuple[int, int, int]]:
    """(length, sun, house) of a row's pieces. apart: what was sold stands at the row's end, in as many pieces as its
    share of the row's energy, and what was bought before it: neither cancels the other."""
    count = -(-whole_s // LONGEST_S)
    lengths = [LONGEST_S] * (count - 1) + [whole_s - LONGEST_S * (count - 1)]
    if not apart or count == 1 or not sun_mw or not house_mw:
        yield from ((length_s, sun_mw, house_mw) for length_s in lengths)
        return
    sold = min(max(round(count * sun_mw / (sun_mw + house_mw)), 1), count - 1)
    sold_s = sum(lengths[count - sold :])
    for number, length_s in enumerate(lengths):
        if number < count - sold:
            yield length_s, 0, round(house_mw * whole_s / (whole_s - sold_s))
        else:
            yield length_s, round(sun_mw * whole_s / sold_s), 0
