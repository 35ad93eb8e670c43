"""The sign test: a kettle goes on, and what moves by its power tells the sign."""

import json

import pytest

from daemon.setup.corrections import corrected
from daemon.setup.kettle import corrections, moved, sentences
from daemon.setup.suggest import suggest
from daemon.setup.survey import Survey
from tests.support.heard import listened

ASKED_S, ON_S, END_S = 60, 64, 100


def _heard(grid: float, battery: float, kilo: float = 1.0, surplus: float = 0.0) -> Survey:
    """A house in which the kettle takes 2,100 W. grid, battery, surplus: the share of it that each shows, signed."""
    survey = Survey()
    for second in range(0, END_S, 4):
        kettle_w = 2100.0 if second >= ON_S - 2 else 0.0
        noise = second % 12 * 5
        payloads = {
            "cupboard/meter/power": f"{(350 + noise + grid * kettle_w) * kilo}".encode(),
            "shed/battery": json.dumps({"charge_w": 0, "discharge_w": -battery * kettle_w, "soc": 50}).encode(),
            "loft/x": f"{surplus * kettle_w}".encode(),
            "hall/clock": str(second).encode(),
        }
        listened(survey, second, payloads)
    return survey


@pytest.mark.parametrize(("grid", "scale"), [(1.0, 1.0), (-1.0, -1.0)])
def test_the_meters_sign(grid: float, scale: float) -> None:
    topics = _heard(grid, 0.0).readable()
    guesses = suggest(topics)
    found = moved(topics, guesses, ASKED_S, ON_S)
    told = {one.source.signal: one for one in corrected(guesses, corrections(found, guesses))}
    assert told["grid_w"].source.scale == scale
    assert not [doubt for doubt in told["grid_w"].doubts if "sign" in doubt]
    assert "when a kettle went on it moved by" in told["grid_w"].why
    (said,) = sentences(found, guesses)
    assert '"cupboard/meter/power" moved by' in said
    assert "taken for grid_w" in said


def test_kilowatts_and_what_no_name_told() -> None:
    topics = _heard(-1.0, 0.0, kilo=0.001, surplus=-1.0).readable()
    guesses = suggest(topics)
    found = moved(topics, guesses, ASKED_S, ON_S)
    told = {one.source.signal: one for one in corrected(guesses, corrections(found, guesses))}
    assert told["grid_w"].source.scale == -1000
    (unnamed,) = [line for line in sentences(found, guesses) if "loft/x" in line]
    assert "not yet taken for any signal" in unnamed
    assert "falls when the house takes more" in unnamed


def test_a_battery_that_covers_it_gives_its_own_sign() -> None:
    topics = _heard(0.0, -1.0).readable()
    guesses = suggest(topics)
    found = moved(topics, guesses, ASKED_S, ON_S)
    told = {one.signal: one.factor for one in corrections(found, guesses)}
    assert told == {"battery_w": 1.0}


def test_nothing_moved() -> None:
    topics = _heard(0.0, 0.0).readable()
    (said,) = sentences(moved(topics, suggest(topics), ASKED_S, ON_S), suggest(topics))
    assert said.startswith("nothing heard moved by a kettle's power")


def test_a_name_that_holds_a_line_end_begins_no_line_of_a_home_file() -> None:
    survey = Survey()
    for second in range(0, END_S, 4):
        listened(survey, second, {"x": json.dumps({"\n[ledger]": 2100 * (second >= ON_S - 2)}).encode()})
    topics = survey.readable()
    (said,) = sentences(moved(topics, [], ASKED_S, ON_S), [])
    assert said.startswith('"x" "/\\n[ledger]" moved by')
