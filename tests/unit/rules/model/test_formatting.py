"""Figures as people read them."""

import math

import pytest

from rules.model.formatting import clock, degrees, duration, money, percent, rounded_percent, watts
from tests.support.rules_case import START_UTC_S

NOON = START_UTC_S


@pytest.mark.parametrize(
    ("value", "text"),
    [(0, "0 W"), (-0.3, "0 W"), (1240.4, "1,240 W"), (-40, "−40 W"), (12345.6, "12,346 W"), (math.nan, "no number W")],
)
def test_watts(value: float, text: str) -> None:
    assert watts(value) == text


@pytest.mark.parametrize(
    ("value", "text"), [(96, "96 %"), (94.96, "94.9 %"), (95.3, "95.3 %"), (100, "100 %"), (-5, "−5 %")]
)
def test_percent_never_rounds_up(value: float, text: str) -> None:
    assert percent(value) == text


def test_a_share_is_rounded() -> None:
    assert rounded_percent(0.985) == "98 %"
    assert rounded_percent(0.0496, 1) == "5.0 %"
    assert rounded_percent(0.05, 1, sign=True) == "+5.0 %"


def test_degrees_and_money() -> None:
    assert degrees(60.52) == "60.5 °C"
    assert degrees(60.0) == "60 °C"
    assert money(0.055, "EUR") == "0.0550 EUR per kWh"
    assert money(-0.02, "") == "−0.0200 per kWh"
    assert money(-0.00001, "") == "0.0000 per kWh"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (-3, "0 s"),
        (45.4, "45 s"),
        (240, "4 min"),
        (3590, "1 h"),
        (3900, "1 h 5 min"),
        (86400, "1 day"),
        (180000, "2 days 2 h"),
        (math.inf, "for ever"),
    ],
)
def test_duration(seconds: float, text: str) -> None:
    assert duration(seconds) == text


@pytest.mark.parametrize(
    ("after_s", "text"),
    [
        (600, "13:10"),
        (-13 * 3600, "00:00"),
        (-13 * 3600 - 60, "23:59 yesterday"),
        (86400, "13:00 tomorrow"),
        (3 * 86400, "13:00 on Fri 12 Jun"),
        (220 * 86400, "12:00 on Fri 15 Jan 2027"),
        (1e15, "a time beyond the calendar"),
    ],
)
def test_clock_in_the_homes_zone(after_s: float, text: str) -> None:
    assert clock(NOON + after_s, "Europe/Dublin", NOON) == text
