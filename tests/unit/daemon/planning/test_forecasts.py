"""Forecasts of the sun: by signal, file and live source; the silly and the stale are refused with a word."""

from datetime import UTC, date, datetime, timedelta
from math import cos, pi, radians, sin
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from accounting.ledger import Ledger, LedgerWriter
from daemon.assembly.endpoints import facts
from daemon.assembly.prepared_home import prepare
from daemon.config.load import load
from daemon.config.model import FORECAST
from daemon.planning.forecasts import Forecasts, read_forecasts
from daemon.planning.history import History, PastHalfHour, read_history
from tests.support.planned_past import HOME, START, lived

SIGNAL = '[signals.forecast_pv_wh]\ntopic = "hut/sun"\n'
BY_SIGNAL = (
    HOME.replace("[heaters.main]", f"{SIGNAL}\n[heaters.main]") + '[plan]\nforecast = { signal = "forecast_pv_wh" }\n'
)
BY_FILE = HOME + '[plan]\nforecast = { series = "sun.csv" }\n'
BY_TOPIC = HOME + (
    '[plan]\nforecast = { live = { kind = "mqtt", topic = "sun", time = "/t", value = "/kwh", minutes = 60 } }\n'
)
DAYS = 8


def evenings(
    tomorrow_wh: float = 8000.0, usual_wh: float = 8000.0, last: int = DAYS
) -> list[tuple[int, dict[str, float]]]:
    """A reading each evening at half past eight, for the next day; the last one for tomorrow."""
    return [
        (
            int((START + timedelta(days=day, hours=20, minutes=30)).timestamp()),
            {"forecast_pv_wh": tomorrow_wh if day == DAYS else usual_wh},
        )
        for day in range(last + 1)
    ]


def forecasts(folder: Path, home: str, extra: list[tuple[int, dict[str, float]]] | None = None) -> Forecasts:
    made = lived(folder, DAYS, hours=21, home=home, extra=extra or ())
    with Ledger.open_reader(made.home.path_of(made.home.ledger.path)) as ledger:
        at_s = ledger.known_until_s() or 0.0
        return read_forecasts(made.home, ledger, read_history(ledger, made, at_s), at_s)


def series(name: Path, day_kwh: float = 8.0, days: int = DAYS + 2, *, until: int = 24) -> None:
    """Rows of an hour each, sun from six to eighteen. until: the hour at which the last day's end."""
    lines = ["time,value"]
    for hour in range(days * 24 - 24 + until):
        at = START + timedelta(hours=hour)
        lines.append(f"{at.isoformat()},{day_kwh / 12 if 6 <= at.hour < 18 else 0}")
    name.write_text("\n".join(lines) + "\n")


def tomorrow() -> int:
    return (START + timedelta(days=DAYS + 1)).date().toordinal()


def test_a_signal_is_of_the_next_day_and_brought_to_the_home_s_measure(tmp_path: Path) -> None:
    found = forecasts(tmp_path, BY_SIGNAL, evenings())
    assert found.name == "forecast_pv_wh"
    # 8 kWh were said each evening and 7.2 kWh of surplus came.
    assert found.expected[tomorrow()].surplus_wh == pytest.approx(7200, rel=0.06)
    assert "8.0 kWh for tomorrow" in found.sentences[0]


@pytest.mark.parametrize(("wh", "said"), [(800_000.0, "more than 3 times"), (-1.0, "no amount of sun")])
def test_a_silly_forecast_is_refused_with_a_word(tmp_path: Path, wh: float, said: str) -> None:
    found = forecasts(tmp_path, BY_SIGNAL, evenings(wh))
    assert found.name is None
    assert found.expected == {}
    assert said in found.sentences[0]


def test_a_stale_one_is_refused(tmp_path: Path) -> None:
    found = forecasts(tmp_path, BY_SIGNAL, evenings(last=DAYS - 2))
    assert found.name is None
    assert "says nothing of tomorrow: the latest is of 2026-06-08" in found.sentences[0]


def test_one_that_was_never_heard(tmp_path: Path) -> None:
    assert "none was ever heard" in forecasts(tmp_path, BY_SIGNAL).sentences[0]


def test_a_new_one_is_not_used_until_days_show_what_it_means(tmp_path: Path) -> None:
    found = forecasts(tmp_path, BY_SIGNAL, evenings()[-2:])
    assert found.name is None
    assert "not used yet" in found.sentences[0]
    assert found.said_wh == 8000.0


@pytest.mark.parametrize("home", [BY_FILE, BY_TOPIC])
def test_rows_are_summed_by_local_day(tmp_path: Path, home: str) -> None:
    series(tmp_path / ("sun.csv" if home is BY_FILE else f"brimful.{FORECAST}.csv"))
    found = forecasts(tmp_path, home)
    assert found.name == ("sun.csv" if home is BY_FILE else FORECAST)
    assert found.said_wh == pytest.approx(8000.0)
    assert set(found.expected) == {tomorrow() - 1, tomorrow()}


@pytest.mark.parametrize(("until", "used"), [(14, False), (20, True)])
def test_a_day_of_which_rows_lack_hours_of_sun_is_no_whole_day(tmp_path: Path, until: int, used: bool) -> None:
    series(tmp_path / "sun.csv", until=until)
    found = forecasts(tmp_path, BY_FILE)
    assert (found.name is not None) is used
    assert (tomorrow() in found.expected) is used
    said = "tomorrow that brought 33 % of the latest days' surplus, the sunniest at 14:00 tomorrow. It is not used."
    assert (said in " ".join(found.sentences)) is not used


LONDON = BY_FILE.replace('"Europe/Lisbon"', '"Europe/London"')


def sun_wh(at_s: int) -> float:
    """Surplus of a half hour by the height of London's sun (Cooper's declination; noon at 12 UTC), Wh."""
    at = datetime.fromtimestamp(at_s + 900, UTC)
    tilt = radians(23.45 * sin(2 * pi * (284 + at.timetuple().tm_yday) / 365))
    hour = pi * (at.hour + at.minute / 60 - 12) / 12
    height = sin(radians(51.5)) * sin(tilt) + cos(radians(51.5)) * cos(tilt) * cos(hour)
    return max(height, 0.0) * 1000


def by_daylight(folder: Path, on: date, gap: range = range(0)) -> Forecasts:
    """A forecast that gives the half hours of daylight alone, without those of the gap, hours of the last UTC day;
    35 days of past. As of nine in the evening before a date."""
    (folder / "home.toml").write_text(LONDON)
    home = prepare(load(folder / "home.toml")).home
    zone = ZoneInfo(home.home.timezone)
    until_s = int(datetime(on.year, on.month, on.day, tzinfo=zone).timestamp()) - 3 * 3600
    past = tuple(
        PastHalfHour(start_s, sun_wh(start_s), 0.0, 0.3, 0.05)
        for start_s in range(until_s - 35 * 86_400, until_s, 1800)
    )
    lines = ["time,value"]
    for start_s in range(until_s - 35 * 86_400, until_s + 27 * 3600, 1800):
        at = datetime.fromtimestamp(start_s, UTC)
        left_out = not sun_wh(start_s) or (at.date() == on and at.hour in gap)
        lines.append(f"{at.isoformat()},{'' if left_out else sun_wh(start_s) / 1000}")
    (folder / "sun.csv").write_text("\n".join(lines) + "\n")
    with LedgerWriter.open(home.path_of(home.ledger.path), facts(home)):
        pass
    with Ledger.open_reader(home.path_of(home.ledger.path)) as ledger:
        return read_forecasts(home, ledger, History(past, None, "grid_w", until_s, 35), float(until_s))


@pytest.mark.parametrize(
    "on",
    [date(2026, 10, 25), date(2026, 10, 26), date(2026, 10, 30), date(2026, 11, 15), date(2026, 3, 30)],
)
def test_a_forecast_of_the_daylight_alone_is_used_while_days_grow_shorter_and_clocks_change(
    tmp_path: Path, on: date
) -> None:
    found = by_daylight(tmp_path, on)
    assert found.name == "sun.csv", found.sentences
    assert found.expected[on.toordinal()].surplus_wh > 0


def test_a_hole_in_the_morning_is_described_as_one(tmp_path: Path) -> None:
    found = by_daylight(tmp_path, date(2026, 10, 30), range(9, 11))
    assert found.name is None
    assert "the sunniest at 10:30 tomorrow. It is not used." in found.sentences[0]


def test_rows_that_end_before_tomorrow_and_files_that_cannot_be_read(tmp_path: Path) -> None:
    series(tmp_path / "sun.csv", days=DAYS)
    assert "says nothing of tomorrow" in forecasts(tmp_path, BY_FILE).sentences[0]
    (tmp_path / "sun.csv").write_text("time,value\nyesterday,1\n")
    broken = tmp_path / "broken"
    broken.mkdir()
    (broken / "sun.csv").write_text("time,value\nyesterday,1\n")
    assert "expected a time with its offset" in forecasts(broken, BY_FILE).sentences[0]
