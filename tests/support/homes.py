"""Home files for tests: the smallest that loads, the published example, and one that uses what the example does not."""

from pathlib import Path

from daemon.config.load import ConfigError, parse
from daemon.config.model import Home

EXAMPLE = Path(__file__).parents[2] / "deploy" / "home.example.toml"

SMALL = """\
[home]
name = "Wren Hut"
timezone = "Europe/Lisbon"
currency = "EUR"

[signals.grid_w]
topic = "hut/meter"

[signals.tank_level_pct]
topic = "hut/tank"

[signals.diverted_wh]
topic = "hut/energy"

[heaters.main]
kind = "gate"
rated_w = 2000
topic = "hut/permit"
orders = { withhold = "0", surplus = "1" }
"""

TWO_HEATERS = """\
[home]
name = "Plover Barn"
timezone = "Australia/Adelaide"
currency = "AUD"
interval_minutes = 15

[broker]
host = "127.0.0.1"
port = 1884

[signals.surplus_w]
topic = "barn/surplus"
scale = -1.0

[signals.tank_top_c]
topic = "barn/top"

[signals.tank_bottom_c]
topic = "barn/bottom"

[signals.diverted_w_upper]
topic = "barn/upper/w"
stale_after_s = 45

[signals.diverted_wh_lower]
topic = "barn/lower/wh"
resolution = 1
gap_s = 1800

[heaters.lower]
kind = "modulated"
rated_w = 3600
minimum_w = 300
topic = "barn/lower/order"
steps_w = [600, 1200, 3600]
refresh_s = 20

[heaters.upper]
kind = "gate"
rated_w = 1200
topic = "barn/upper/order"
orders = { withhold = "off", surplus = "on", heat = "grid" }
expiry_s = 90

[tank]
volume_l = 315
loss_w = 74.5

[rules.heaters]
prefer = ["upper"]

[tariffs.buy]
direction = "import"
series = "prices.csv"

[carbon.grid]
series = "carbon.csv"
basis = "marginal"
source = "invented"
year = 2026

[[displaces]]
source = "heat pump"
share = 1
price = 0.31
efficiency = 3.2
carbon = "grid"

[timeseries]
kind = "influxdb1"
url = "http://127.0.0.1:8086"
database = "barn"
username = "barn"
password_file = "secrets/series"
"""


def home(text: str, path: Path = Path("home.toml")) -> Home:
    """The home a text describes."""
    return parse(text.encode(), path)


def told(text: str) -> list[str]:
    """The problems of a text, as a person reads them; none if it loads."""
    try:
        home(text)
    except ConfigError as wrong:
        return str(wrong).splitlines()
    return []
