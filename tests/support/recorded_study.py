"""The recorded year as a study reads it: house, sun and the hot water that the household drew; and its home as it was.

What the recorded water heater took stands for the hot water drawn, as in tests/support/recorded_year.py.
"""

import csv
import gzip
from array import array
from dataclasses import replace
from math import isnan
from pathlib import Path

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
