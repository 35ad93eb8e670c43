"""The recorded year as a study reads it: house, sun and the hot water that the household drew; and its home as it was.

What the recorded water heater took stands for the hot water drawn, as in tests/support/recorded_year.py.
"""

import csv
import gzip
from array import array
from dataclasses import replace
from datetime import UTC, datetime
from math import isnan
from pathlib import Path

from accounting.reports.study_figures import MWS_PER_WH
from daemon.simulation.study.recording import Recording
from tests.support import recorded_year
from tests.support.recorded_sources import household

HOME = Path(__file__).parents[1] / "replay" / "recorded_home.toml"
# The diverter of the recorded year goes by the surplus and its own thermostat alone: off when all is hot, on again 3 %
# below. Its tank loses 60 W when full, as the heat in it above cold.
AS_IT_WAS = {
    "stop_at_pct = 95": "stop_at_pct = 100",
    "resume_below_pct = 88": "resume_below_pct = 97",
    "start_w = 150": "start_w = 100",
    "stop_w = 0": "stop_w = 99",
    "enabled = true": "enabled = false",
    "minimum_on_s = 60": "minimum_on_s = 0",
    "minimum_off_s = 60": "minimum_off_s = 0",
    'label_class = "C"': "loss_w = 54\nambient_c = 10",
}


def home_as_it_was(path: Path) -> Path:
    """The home file with the recorded year's own diverter."""
    text = HOME.read_text()
    for was, becomes in AS_IT_WAS.items():
        assert was in text
        text = text.replace(was, becomes)
    path.write_text(text)
    return path


def write(path: Path) -> Path:
    """The readings file."""
    _, heater_w = household()
    drawn_wh = 0.0
    with gzip.open(recorded_year.build(), "rt", encoding="ascii", newline="") as file, path.open("w") as out:
        out.write("time,house_w,pv_w,drawn_wh\n")
        for row, taken_w in zip(csv.DictReader(file), heater_w, strict=True):
            drawn_wh += 0.0 if isnan(taken_w) else taken_w / 60
            out.write(f"{row['time']},{row['house_w']},{row['pv_w']},{drawn_wh:.1f}\n")
    return path


def coarser(recording: Recording, minutes: int) -> Recording:
    """The same with the sun, the house and what is between them as means of so many minutes: nothing else changes."""
    gross_mw = array("q")
    first, count = 0, len(recording.at_s)
    while first < count:
        last, span = first, recording.at_s[first] // (60 * minutes)
        while last < count and recording.at_s[last] // (60 * minutes) == span:
            last += 1
        mean, rest = divmod(sum(recording.gross_mw[first:last]), last - first)
        gross_mw.extend([mean + 1] * rest + [mean] * (last - first - rest))
        first = last
    return replace(recording, gross_mw=gross_mw)


def write_meter(path: Path, recording: Recording) -> Path:
    """The readings of the half-hourly meter that the recording's house would have had without a diverter."""
    bought = sold = drawn_wh = 0.0
    slot = 0
    with path.open("w") as out:
        out.write("time,import_wh,export_wh,drawn_wh\n")
        for at_s, length_s, gross_mw, need_wh in zip(
            recording.at_s, recording.length_s, recording.gross_mw, recording.need_wh, strict=True
        ):
            if at_s // 1800 != slot:
                slot = at_s // 1800
                at = datetime.fromtimestamp(slot * 1800, UTC).isoformat()
                out.write(f"{at},{bought:.1f},{sold:.1f},{drawn_wh:.1f}\n")
            sold += max(gross_mw, 0) * length_s / MWS_PER_WH
            bought -= min(gross_mw, 0) * length_s / MWS_PER_WH
            drawn_wh += need_wh
    return path
