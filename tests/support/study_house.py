"""An invented house for studies: its home file, and readings of any number of days made by formula."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from math import cos, pi
from pathlib import Path
from random import Random

START = datetime(2025, 4, 28, tzinfo=UTC)

HOME = """\
[home]
name = "Alder Bank"
timezone = "Europe/Dublin"
currency = "EUR"

[signals.grid_w]
topic = "meter/w"
[signals.tank_level_pct]
topic = "tank/level"
[signals.diverted_w]
topic = "diverter/w"

[heaters.main]
kind = "gate"
rated_w = 2800
minimum_w = 100
topic = "diverter/permit"
orders = { withhold = "0", surplus = "1" }

[tank]
volume_l = 180
label_class = "C"
topup = { from = "02:00", to = "05:00", level_pct = 60, rated_w = 2800 }

[rules.full]
stop_at_pct = 95
resume_below_pct = 88

[tariffs.import]
direction = "import"
periods = [{ from = 2020-01-01, bands = [
  { name = "night", from = "02:00", to = "05:00", price = 0.09 },
  { name = "day", price = 0.32 },
] }]

[tariffs.export]
direction = "export"
periods = [{ from = 2020-01-01, bands = [{ name = "all", price = 0.05 }] }]

[carbon.grid]
kg_per_kwh = 0.25
basis = "average"
source = "invented"
year = 2025

[[displaces]]
source = "gas boiler"
share = 1
price = 0.08
efficiency = 0.8
"""


def rows(days: float, *, step_s: int = 60, seed: int = 1, battery: bool = False) -> Iterator[dict[str, float]]:
    """(at_s, house_w, pv_w, drawn_wh and, where there is one, battery_w) of each step: a bright spring, showers at
    seven and at eight in the evening, kettles."""
    chance = Random(seed)
    drawn_wh, cloud, kettle = 0.0, 1.0, 0
    for number in range(round(days * 86_400 / step_s)):
        at = START + timedelta(seconds=number * step_s)
        hour = at.hour + at.minute / 60
        if chance.random() < step_s / 3000:
            cloud = chance.choice([1.0, 0.9, 0.6, 0.3, 0.15])
        pv_w = max(0.0, cos((hour - 12.4) / 7 * pi / 2)) * 3400 * cloud if abs(hour - 12.4) < 7 else 0.0
        kettle = kettle - 1 if kettle > 0 else (3 if chance.random() < 0.01 else 0)
        house_w = 180 + (350 if 17 <= hour < 23 else 0) + (2000 if kettle else 0)
        row = {"at_s": at.timestamp(), "house_w": house_w, "pv_w": round(pv_w, 1), "drawn_wh": round(drawn_wh, 1)}
        if battery:
            row["battery_w"] = round(min(pv_w - house_w, 900)) if pv_w > house_w else (-150 if hour >= 18 else 0)
        yield row
        if 7 <= hour < 7.25 or 20 <= hour < 20.2:
            drawn_wh += 170 * step_s / 60


def write(path: Path, made: Iterator[dict[str, float]]) -> Path:
    """The rows as a readings file."""
    lines: list[str] = []
    for row in made:
        names = [name for name in row if name != "at_s"]
        if not lines:
            lines.append(",".join(("time", *names)))
        at = datetime.fromtimestamp(row["at_s"], UTC).isoformat()
        lines.append(",".join((at, *(f"{row[name]:g}" if row[name] == row[name] else "" for name in names))))
    path.write_text("\n".join(lines) + "\n")
    return path
