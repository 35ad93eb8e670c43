"""No hour of the simulated house leads to a wrong correction: what is told of a sign or a unit is true."""

import json

import pytest

from daemon.setup.examine import Examined, examined
from daemon.setup.survey import Survey
from daemon.simulation.house.simulated import DemoHouse
from tests.support.heard import listened

MIDNIGHT_S = 1_781_046_000.0  # 2026-06-10 00:00 in Dublin
TURNED = {"house/meter": -1.0, "house/battery": 0.001}
"""What a device does to the power it sends: the meter turns its sign, the battery sends kW."""


def _heard(house: DemoHouse, minutes: int, sent: dict[str, float]) -> Examined:
    survey = Survey()
    for _ in range(minutes * 3):
        house.advance(20)
        payloads = house.readings()
        for topic, factor in sent.items():
            content = json.loads(payloads[topic])
            content["w"] = round(content["w"] * factor, 4)
            payloads[topic] = json.dumps(content).encode()
        listened(survey, house.now_s, payloads)
    return examined(survey.readable())


def _true(found: Examined, sent: dict[str, float]) -> int:
    """How many signals' scales are known for sure; raises where one of them is wrong."""
    meant = {"grid_w": 1 / sent.get("house/meter", 1.0), "battery_w": 1 / sent.get("house/battery", 1.0)}
    known = 0
    for guess in found.guesses:
        name = guess.source.signal
        if "balance" in guess.why and not any(doubt.startswith("the sign") for doubt in guess.doubts):
            assert guess.source.scale == pytest.approx(meant.get(name, 1.0)), (name, guess.why)
            known += 1
    return known


def _day(hours: range, minutes: int, seed: int, sent: dict[str, float]) -> int:
    house = DemoHouse(seed, MIDNIGHT_S)
    known = 0
    for hour in range(24):
        house.obey(b"yes" if hour % 2 else b"no")
        if hour in hours:
            known += _true(_heard(house, minutes, sent), sent)
        while house.now_s < MIDNIGHT_S + (hour + 1) * 3600:
            house.advance(60)
    return known


@pytest.mark.parametrize("sent", [{}, TURNED])
def test_some_hours_of_a_day(sent: dict[str, float]) -> None:
    assert _day(range(1, 24, 6), 20, 1, sent) > 0


@pytest.mark.long
@pytest.mark.parametrize("seed", range(1, 9))
@pytest.mark.parametrize("sent", [{}, TURNED, {"house/meter": -0.001}, {"house/battery": -1.0}])
def test_every_hour_of_many_days(seed: int, sent: dict[str, float]) -> None:
    assert _day(range(24), 59, seed, sent) > 0
