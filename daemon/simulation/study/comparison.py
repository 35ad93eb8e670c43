"""A study: variants of one home over one recording, each beside the first, over the machine's cores."""

import itertools
from bisect import bisect_right
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from math import inf
from multiprocessing import get_all_start_methods, get_context
from multiprocessing.context import BaseContext
from pathlib import Path
from zoneinfo import ZoneInfo

from accounting.heat.tank_fit import Fitted
from accounting.model.periods import bounds
from accounting.reports.monthly_estimate import diverted
from accounting.reports.study_figures import FEWEST_BLOCKS, MWS_PER_WH, Figures
from daemon.config.load import load
from daemon.config.varied import varied
from daemon.simulation.study.closed_loop import simulate
from daemon.simulation.study.fitting import fitted
from daemon.simulation.study.hot_water import Wanted
from daemon.simulation.study.opening import open_recorded
from daemon.simulation.study.recording import Recording, months, read
from daemon.simulation.study.studied_home import OP, StudiedHome, studied
from rules.model.errors import BrimfulError
from rules.model.wording import Number, say
from rules.planning.store import HALF_HOUR_S
from rules.tank.cylinder import WH_PER_L_K

MOST_VARIANTS = 500
Setting = Mapping[str, str]
"""What a variant sets: by dotted key of the home file, `diverter` or `battery`, as text."""
_SWITCHES = ("diverter", "battery")
_WEEKS = 8 * 7
_DAY_S = 86_400


@dataclass(frozen=True, slots=True)
class Study:
    """What was found. recording: the time it stands for; homes, figures: of each variant, the home as it is first;
    block: "week" or "day", what the paired range draws anew; estimate_kwh: what the monthly method says of the sun's
    heat in the home as it is; None where a battery stands beside it, or the tank is smaller than a day's hot water;
    fitted: the tank as the readings show it, where that was asked for."""

    recording: Recording
    settings: tuple[Setting, ...]
    figures: tuple[Figures, ...]
    notes: tuple[str, ...]
    block: str
    estimate_kwh: float | None
    fitted: Fitted | None = None


def settings_of(vary: Iterable[str]) -> list[Setting]:
    """The variants that `KEY=V1,V2` texts ask for, the home as it is first.

    Every key is once as it is and once at each of its values, in all combinations. A comma within brackets or quotes
    belongs to the value. Raises BrimfulError.
    """
    keys: dict[str, list[str]] = {}
    for text in vary:
        key, equals, values = text.partition("=")
        key = key.strip()
        given = [value.strip() for value in _split(values)]
        if not equals or not key or not all(given):
            hint = "as in rules.full.stop_at_pct=80,90 or diverter=off"
            raise BrimfulError(OP, "--vary", f"expected KEY=VALUE or KEY=V1,V2, got {text!r}", hint)
        if key in _SWITCHES and not set(given) <= {"on", "off"}:
            raise BrimfulError(OP, f"--vary {key}", f"expected on or off, got {values!r}")
        keys.setdefault(key, []).extend(given)
    choices = [[None, *dict.fromkeys(values)] for values in keys.values()]
    found: list[Setting] = [
        {key: value for key, value in zip(keys, each, strict=True) if value is not None}
        for each in itertools.islice(itertools.product(*choices), MOST_VARIANTS + 1)
    ]
    # Without a diverter the rules order nothing: with it off, only variants that leave them alone differ.
    found = [
        each for each in found if each.get("diverter") != "off" or not any(key.startswith("rules.") for key in each)
    ]
    if len(found) > MOST_VARIANTS:
        raise BrimfulError(OP, "--vary", f"expected at most {MOST_VARIANTS} variants, got more")
    return found


def _split(values: str) -> list[str]:
    """Cut at the commas that stand in no brackets, braces or quotes."""
    parts, depth, quote = [""], 0, ""
    for char in values:
        if char == "," and not depth and not quote:
            parts.append("")
            continue
        if quote:
            quote = "" if char == quote else quote
        elif char in "\"'":
            quote = char
        depth += (char in "[{") - (char in "]}") if not quote else 0
        parts[-1] += char
    return parts


def home_of(path: Path, setting: Setting) -> StudiedHome:
    """The home file with a variant's keys set. Raises BrimfulError."""
    values = {key: text for key, text in setting.items() if key not in _SWITCHES}
    home = varied(path, values) if values else load(path)
    return studied(home, diverter=setting.get("diverter") != "off", battery=setting.get("battery") != "off")


def study(
    path: Path,
    readings: Path,
    settings: Sequence[Setting],
    *,
    people: float = 2.0,
    workers: int = 1,
    fit: bool = False,
    last_s: float = inf,
    progress: Callable[[str, float], None] = lambda what, done: None,
) -> Study:
    """Run every variant. path: the home file; workers: processes to share them out over; fit: fit the tank to the
    readings first, and go by that; last_s: how much of a tape's end is studied; progress: the share done.

    Raises BrimfulError, before any long work where it can.
    """
    homes = [home_of(path, setting) for setting in settings]
    fitting = fitted(path, readings) if fit else None
    run = settings
    if fitting is not None:
        run = [{**fitting.set, **setting} for setting in settings]
        homes = [home_of(path, setting) for setting in run]
    first = homes[0]
    with open_recorded(readings, load(path).heater_names, last_s) as file:
        by_hour_wh = fitting.fit.by_hour_wh if fitting is not None else None
        wanted = Wanted(people, first.zone, first.tank.hot_c - first.tank.cold_c, by_hour_wh)
        recording = read(file, wanted, lambda rows: progress("reading", 0.0))
    cuts, block = blocks(recording, first.zone)
    notes = list(dict.fromkeys([*recording.notes, *(note for home in homes for note in home.notes)]))
    if len(cuts.starts_s) < FEWEST_BLOCKS:
        notes.append(
            say(
                "{days} days are too few for a range of the differences; it takes {fewest_blocks}",
                days=len(cuts.starts_s),
                fewest_blocks=FEWEST_BLOCKS,
            )
        )
    figures: dict[int, Figures] = {}
    if workers <= 1 or len(homes) == 1:
        for number, home in enumerate(homes):
            figures[number] = simulate(home, recording, cuts)
            progress("variants", len(figures) / len(homes))
    else:
        with ProcessPoolExecutor(min(workers, len(homes)), worker_context(), _take, (path, recording, cuts)) as pool:
            waiting = {pool.submit(_simulate, setting): number for number, setting in enumerate(run)}
            try:
                for done in as_completed(waiting):
                    figures[waiting[done]] = done.result()
                    progress("variants", len(figures) / len(homes))
            except BrokenProcessPool:
                hint = "too little memory? try --workers 1"
                raise BrimfulError(OP, "--workers", "a worker process has died", hint) from None
    found = tuple(figures[number] for number in range(len(homes)))
    notes += _unpriced(found)
    return Study(recording, tuple(settings), found, tuple(notes), block, _estimate(recording, first), fitting)


def worker_context() -> BaseContext:
    """How processes are started: as copies of this one where that can be had, for they have all read."""
    return get_context("fork" if "fork" in get_all_start_methods() else None)


_LACKING = {
    "import price": say("import price"),
    "export price": say("export price"),
    "grid carbon": say("grid carbon"),
    "boiler price": say("boiler price"),
    "boiler carbon": say("boiler carbon"),
}


def _unpriced(found: Sequence[Figures]) -> list[str]:
    """What had no price or no factor, in the variant that had most of it."""
    most: dict[str, int] = {}
    for each in found:
        for what, mws in each.unpriced.items():
            most[what] = max(most.get(what, 0), mws)
    return [
        say(
            "no {what} for up to {kwh} kWh: counted as 0, or no figure where that is over 1 %",
            what=_LACKING.get(what, what),
            kwh=Number(f"{mws / (1000 * MWS_PER_WH):.1f}"),
        )
        for what, mws in most.items()
        if mws >= 50 * MWS_PER_WH
    ]


def _estimate(recording: Recording, home: StudiedHome) -> float | None:
    """Electricity from the sun into the tank, kWh, by the monthly method."""
    by_month = months(recording)
    a_day_wh = sum(month.hot_water_kwh for month in by_month) * 1000 / max(len(recording.days), 1)
    tank = home.tank
    if recording.metered or not home.diverter or recording.battery_mws:
        return None
    if WH_PER_L_K * tank.volume_l * (tank.hot_c - tank.cold_c) < a_day_wh:
        return None
    return sum(diverted(month).diverted_kwh for month in by_month)


@dataclass(frozen=True, slots=True)
class Cuts:
    """Blocks of whole local days. starts_s: their starts, UTC seconds, ascending."""

    starts_s: tuple[int, ...]

    def __call__(self, utc_s: int) -> int:
        """The number of the block that an instant lies in."""
        return max(bisect_right(self.starts_s, utc_s) - 1, 0)


def blocks(recording: Recording, zone: ZoneInfo) -> tuple[Cuts, str]:
    """The recording's weeks, or its days where it is shorter than eight weeks."""
    long = recording.to_s - recording.from_s >= _WEEKS * _DAY_S
    days = bounds("day", recording.from_s, recording.to_s, zone, HALF_HOUR_S)[:-1]
    return Cuts(tuple(days[:: 7 if long else 1])), say("week") if long else say("day")


# In a worker process: what every variant shares is handed over once.

_shared: list[tuple[Path, Recording, Cuts]] = []


def _take(path: Path, recording: Recording, cuts: Cuts) -> None:
    _shared[:] = [(path, recording, cuts)]


def _simulate(setting: Setting) -> Figures:
    path, recording, cuts = _shared[0]
    return simulate(home_of(path, setting), recording, cuts)
