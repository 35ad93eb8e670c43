"""What each signal is called in words, its unit left out."""

from collections.abc import Mapping

from rules.model.wording import say

NAMES: Mapping[str, str] = {
    "grid_w": say("grid"),
    "surplus_w": say("surplus"),
    "pv_w": say("solar"),
    "house_w": say("house"),
    "battery_w": say("battery"),
    "battery_level_pct": say("battery level"),
    "car_w": say("car"),
    "tank_level_pct": say("tank level"),
    "tank_top_c": say("tank top"),
    "tank_mid_c": say("tank middle"),
    "tank_bottom_c": say("tank bottom"),
    "diverted_w": say("diverted"),
    "diverted_wh": say("diverted energy"),
    "topup_w": say("topup"),
    "topup_wh": say("top-up energy"),
    "import_wh": say("import energy"),
    "export_wh": say("export energy"),
    "boiler_wh": say("boiler energy"),
    "drawn_wh": say("drawn energy"),
    "water_l": say("water"),
    "import_price": say("import price"),
    "export_price": say("export price"),
    "grid_kg_per_kwh": say("grid carbon"),
    "forecast_pv_wh": say("forecast pv energy"),
}
