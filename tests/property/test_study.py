"""Of whatever home and readings: energy closes, at the meter and in the tank, and passing quiet time over changes
nothing."""

import re
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from accounting.reports.study_figures import MWS_PER_WH
from daemon.documents.study_document import Span, study_answer
from daemon.inputs.readings_file import open_readings
from daemon.simulation.study.closed_loop import simulate
from daemon.simulation.study.comparison import blocks, home_of
from daemon.simulation.study.hot_water import Wanted
from daemon.simulation.study.recording import Recording, read
from daemon.simulation.study.studied_home import StudiedHome
from tests.support import study_house

homes = st.fixed_dictionaries(
    {
        "tank.volume_l": st.integers(60, 400),
        "tank.ambient_c": st.integers(5, 30),
        "tank.hot_c": st.integers(50, 75),
        "tank.level_shows": st.sampled_from(['"energy"', '"usable"', '"hot"', '"probe"']),
        "tank.level_steps": st.sampled_from([0, 0, 4, 10]),
        "tank.topup.level_pct": st.integers(10, 100),
        "tank.topup.rated_w": st.integers(500, 3000),
        "rules.full.stop_at_pct": st.integers(40, 100),
        "rules.surplus.start_w": st.sampled_from([150, 400, 1200]),
        "rules.surplus.over_s": st.sampled_from([60, 180, 600]),
        "rules.rest.minimum_on_s": st.sampled_from([0, 300]),
        "rules.rest.minimum_off_s": st.sampled_from([0, 600]),
        "rules.worth.enabled": st.sampled_from(["true", "false"]),
        "rules.battery.maximum_discharge_w": st.sampled_from([50, 500]),
        "heaters.main.rated_w": st.integers(800, 3600),
        "home.interval_minutes": st.sampled_from([15, 30, 60]),
        "diverter": st.sampled_from(["on", "on", "on", "off"]),
        "battery": st.sampled_from(["on", "on", "off"]),
    }
).map(lambda given: {key: str(value) for key, value in given.items()})

MODULATED = study_house.HOME.replace('kind = "gate"', 'kind = "modulated"').replace(
    "minimum_w = 100", "minimum_w = 300"
)
MODULATED = re.sub(r"^orders = .*$", "", MODULATED, flags=re.M)
BY_TEMPERATURE = study_house.HOME.replace(
    '[signals.tank_level_pct]\ntopic = "tank/level"',
    '[signals.tank_top_c]\ntopic = "tank/top"\n[signals.tank_bottom_c]\ntopic = "tank/bottom"',
)
BATTERY = '[signals.battery_w]\ntopic = "battery/w"\n'


def _prepared(folder: Path, text: str, setting: dict[str, str], made: dict[str, Any]) -> tuple[StudiedHome, Recording]:
    file = folder / "home.toml"
    file.write_text(text + BATTERY)
    home = home_of(file, setting)
    readings = study_house.write(folder / "readings.csv", study_house.rows(**made))
    with open_readings(readings, ["main"]) as opened:
        return home, read(opened, Wanted(2.0, home.zone, 50.0))


@settings(max_examples=12, deadline=None)
@given(
    setting=homes,
    text=st.sampled_from([study_house.HOME, MODULATED, BY_TEMPERATURE]),
    made=st.fixed_dictionaries(
        {
            "days": st.sampled_from([1.3, 2.6]),
            "step_s": st.sampled_from([30, 60, 60, 1800]),
            "seed": st.integers(0, 99),
            "battery": st.booleans(),
        }
    ),
)
def test_energy_closes_and_quiet_time_may_be_passed_over(
    setting: dict[str, str], text: str, made: dict[str, Any]
) -> None:
    with TemporaryDirectory() as folder:
        home, recording = _prepared(Path(folder), text, setting, made)
    cuts, block = blocks(recording, home.zone)
    found = simulate(home, recording, cuts)
    assert simulate(home, recording, cuts, thorough=True) == found

    # At the meter, exactly, in mW·s; battery: + charging.
    assert found.imported - found.exported == found.house + found.heater - found.pv + found.battery
    assert min(found.imported, found.exported, *found.heat.values(), 0) == 0
    # In the tank: what the tank's own sums say was lost is what the difference leaves, to a thousandth of a Wh.
    assert abs(found.lost - found.lost_seen) <= MWS_PER_WH / 1000 + 3e-9 * found.drawn
    if home.burner is not None:
        assert found.short == found.cold_s == 0
    if not home.diverter:
        assert found.switchings == 0

    span = Span(recording.from_s, recording.to_s, recording.step_s, recording.left_out_s, block)
    shown = study_answer("Alder Bank", "EUR", span, [setting], [found], [])["variants"][0]
    whole = {key: round(value * 1e6) for key, value in shown.items() if key.endswith("_kwh") and key != "heat_kwh"}
    heat = {source: round(value * 1e6) for source, value in shown["heat_kwh"].items()}
    assert sum(heat.values()) == whole["drawn_kwh"] + whole["lost_kwh"] + whole["stock_change_kwh"]
    assert whole["imported_kwh"] - whole["exported_kwh"] == (
        whole["house_kwh"] + sum(heat.values()) - heat["boiler"] - whole["pv_kwh"] - whole["battery_kwh"]
    )
    assert min(whole["imported_kwh"], whole["exported_kwh"]) >= 0
    # And with the readings themselves.
    step_h = made["step_s"] / 3600
    rows = list(study_house.rows(**made))
    assert abs(shown["house_kwh"] - sum(row["house_w"] for row in rows) * step_h / 1000) < 1e-5
    assert abs(shown["pv_kwh"] - sum(row["pv_w"] for row in rows) * step_h / 1000) < 1e-5
