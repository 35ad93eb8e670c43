"""What looks right for a house, and what does not."""

import pytest

from daemon.setup.plausible import odd


@pytest.mark.parametrize(
    ("signal", "value", "words"),
    [
        ("grid_w", 41_000_000, "in W already"),
        ("grid_w", -1.21, "signals.grid_w.scale = 1000"),
        ("diverted_w_upper", 2.4, "signals.diverted_w_upper.scale = 1000"),
        ("tank_level_pct", 0.61, "share of 1"),
        ("tank_top_c", 120, "in °F"),
        ("tank_top_c", -10, "sensor connected"),
        ("import_wh", 4211.53, "sent in kWh"),
        ("import_wh", 4e9, "in Wh already"),
        ("import_price", 28.5, "in hundredths"),
    ],
)
def test_what_is_odd_names_its_key(signal: str, value: float, words: str) -> None:
    assert words in odd(signal, value)


@pytest.mark.parametrize(
    ("signal", "value"),
    [
        ("grid_w", -1210),
        ("grid_w", 0),
        ("grid_w", 7),
        ("tank_level_pct", 61.5),
        ("tank_level_pct", 0),
        ("tank_level_pct", 1),
        ("tank_top_c", 58),
        ("import_wh", 4_211_530),
        ("forecast_pv_wh", 12_000.5),
        ("import_price", 0.285),
        ("import_price", -0.02),
    ],
)
def test_what_is_usual_is_not_questioned(signal: str, value: float) -> None:
    assert odd(signal, value) == ""
