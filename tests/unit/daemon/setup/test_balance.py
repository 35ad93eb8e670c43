"""Signs and factors of a thousand, found by what must hold at every instant."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.setup.balance import Balance, Course, balance, counter_correction
from daemon.setup.corrections import Correction, corrected
from daemon.setup.suggest import suggest
from daemon.setup.survey import Topic

_RIGHT = {"grid_w": 1.0, "house_w": 1.0, "battery_w": 1.0, "pv_w": 1.0}


def _night(sent: dict[str, float], *, battery: bool = True, pv_w: float = 0.0, many: int = 40) -> dict[str, Course]:
    """Half a night, each signal sent with a factor: what is read is the truth by that factor."""
    chance = random.Random(7)
    courses: dict[str, list[tuple[float, float]]] = {name: [] for name in sent}
    for place in range(many):
        house_w = chance.uniform(150, 900)
        battery_w = -min(600.0, house_w * 0.7) if battery and place % 2 else 400.0 * (battery and place % 3 == 0)
        truth = {"house_w": house_w, "battery_w": battery_w, "pv_w": pv_w, "grid_w": house_w + battery_w - pv_w}
        for name, factor in sent.items():
            # Meters are read at different moments, and differ a little.
            reading = truth[name] * factor * chance.uniform(0.99, 1.01)
            courses[name].append((place * 10 + chance.uniform(0, 0.9), reading))
    return courses


def _factors(found: Balance) -> dict[str, float]:
    return {one.signal: one.factor for one in found.corrections if one.sign}


def test_what_is_right_is_said_to_be_right() -> None:
    found = balance(_night(_RIGHT))
    assert _factors(found) == {"grid_w": 1, "house_w": 1, "battery_w": 1}
    assert found.why_not == ""
    assert found.corrections[0].why == "the balance with the others shows that sign and unit are right"


@given(
    st.sampled_from([1.0, -1.0, 0.001, -0.001]),
    st.sampled_from([1.0, 0.001]),
    st.sampled_from([1.0, -1.0, 0.001, -0.001]),
)
@settings(max_examples=12, deadline=None)
def test_every_sign_and_factor_is_found_at_night(grid: float, house: float, battery: float) -> None:
    found = balance(_night({"grid_w": grid, "house_w": house, "battery_w": battery}))
    wanted = {"grid_w": 1 / grid, "house_w": 1 / house, "battery_w": 1 / battery}
    assert _factors(found) == pytest.approx(wanted)


def test_by_day_the_roof_counts_too() -> None:
    found = balance(_night({**_RIGHT, "pv_w": 0.001, "grid_w": -1.0}, pv_w=2400.0))
    assert _factors(found) == pytest.approx({"grid_w": -1, "house_w": 1, "battery_w": 1, "pv_w": 1000})


@pytest.mark.parametrize("grid", [1.0, -1.0, 0.001, -0.001])
@pytest.mark.parametrize("battery", [1.0, -1.0])
def test_without_the_houses_use_a_night_still_tells_signs(grid: float, battery: float) -> None:
    """The house takes from the grid or from the battery, and never gives."""
    courses: dict[str, list[tuple[float, float]]] = {"grid_w": [], "battery_w": [], "pv_w": []}
    for place in range(40):
        house_w = 200.0 + 17 * (place % 20)
        battery_w = -house_w if place % 2 else 0.0
        for name, value in (
            ("grid_w", (house_w + battery_w) * grid),
            ("battery_w", battery_w * battery),
            ("pv_w", 0.0),
        ):
            courses[name].append((place * 10.0, value))
    assert _factors(balance(courses)) == pytest.approx({"grid_w": 1 / grid, "battery_w": 1 / battery})


def test_without_the_houses_use_noon_tells_no_sign_of_the_grid() -> None:
    courses = _night({"grid_w": 1.0, "pv_w": 1.0}, pv_w=3500.0)
    assert "grid_w" not in _factors(balance(courses))


def test_a_battery_that_rests_tells_nothing_of_its_sign() -> None:
    found = balance(_night({**_RIGHT, "battery_w": -1.0}, battery=False))
    assert "battery_w" not in _factors(found)
    assert _factors(found)["grid_w"] == 1


def test_what_balances_in_no_way_is_said() -> None:
    courses = _night(_RIGHT)
    courses["grid_w"] = [(at_s, 77.0) for at_s, _ in courses["grid_w"]]
    found = balance(courses)
    assert found.corrections == ()
    assert "balance with no sign or unit" in found.why_not
    assert "it needs grid_w" in balance({"grid_w": courses["grid_w"]}).why_not
    assert "5 instants" in balance(_night(_RIGHT, many=3)).why_not


def test_a_house_that_includes_the_heater_is_noticed() -> None:
    courses = _night({"grid_w": 1.0, "house_w": 1.0, "battery_w": 1.0})
    courses["diverted_w"] = [(at_s, 500.0 + 7 * at_s) for at_s, _ in courses["grid_w"]]
    (told,) = [one for one in balance(courses).corrections if one.signal == "diverted_w"]
    assert "include" in told.why


@pytest.mark.parametrize("factor", [1.0, 1000.0, 0.001])
def test_a_day_tells_a_counters_unit(factor: float) -> None:
    power = [(float(second), 600.0 + second % 700) for second in range(0, 86_400, 60)]
    energy, counter = 0.0, []
    for at_s, watts in power:
        counter.append((at_s, energy / factor))
        energy += watts * 60 / 3600
    found = counter_correction("import_wh", counter, power)
    assert found is not None
    assert (found.factor, found.sign) == (factor, False)


def test_too_little_or_something_else_tells_nothing_of_a_counter() -> None:
    power = [(float(second), 600.0) for second in range(0, 3600, 60)]
    still = [(at_s, 5000.0) for at_s, _ in power]
    assert counter_correction("import_wh", still, power) is None
    odd = [(at_s, at_s * 9.0) for at_s, _ in power]
    assert counter_correction("import_wh", odd, power) is None
    assert counter_correction("import_wh", odd, [(at_s, -5.0) for at_s, _ in power]) is None


def test_a_correction_settles_its_doubts_and_no_others() -> None:
    (guess,) = suggest({"meter/power": Topic(b"0.42", 1, True, samples=[])})
    assert guess.source.scale == 1000
    (unit,) = corrected([guess], [Correction("grid_w", 0.001, "because", sign=False)])
    assert (unit.source.scale, unit.value) == (1, pytest.approx(0.42))
    assert [doubt for doubt in unit.doubts if doubt.startswith("the sign")]
    assert "retained" in unit.doubts[0]
    (both,) = corrected([guess], [Correction("grid_w", -1, "first"), Correction("grid_w", 5, "second")])
    assert both.source.scale == -1000
    assert both.why.endswith("; first")
    assert not [doubt for doubt in both.doubts if "sign" in doubt or "unit" in doubt]
