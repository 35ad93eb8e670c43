"""What units, ranges and the course of values say of a guess: devices that send in ways of their own."""

from daemon.setup.behaviour import pace
from daemon.setup.suggest import Suggestion, suggest
from daemon.setup.survey import MOST_SAMPLES, Survey
from tests.support.heard import listened


def _guessed(*rounds: dict[str, bytes], every_s: float = 10.0, retained: bool = False) -> dict[str, Suggestion]:
    survey = Survey()
    for number, payloads in enumerate(rounds):
        listened(survey, number * every_s, payloads, retained)
    return {one.source.signal: one for one in suggest(survey.readable())}


def _doubts(guess: Suggestion) -> str:
    return "; ".join(doubt for doubt in guess.doubts if not doubt.startswith("the sign"))


def test_per_cent_as_text_and_units_as_text_are_no_doubt() -> None:
    found = _guessed(*[{"cellar/tank/level": b"87%", "meter/power": b"1,5 kW", "diverter/power": b"900 W"}] * 3)
    assert (found["tank_level_pct"].value, found["grid_w"].value, found["diverted_w"].value) == (87, 1500, 900)
    assert [found[name].source.scale for name in ("tank_level_pct", "grid_w", "diverted_w")] == [1, 1, 1]
    assert [_doubts(found[name]) for name in ("tank_level_pct", "grid_w", "diverted_w")] == ["", "", ""]


def test_small_figures_with_decimals_are_taken_as_kw_and_that_is_doubtful() -> None:
    found = _guessed(*[{"meter/power": f"{-0.4 - n / 100}".encode()} for n in range(4)])
    assert found["grid_w"].source.scale == 1000
    assert "taken as kW" in _doubts(found["grid_w"])
    large = _guessed(*[{"meter/power": f"{-400 - n}".encode()} for n in range(4)])["grid_w"]
    assert (large.source.scale, _doubts(large)) == (1, "")
    nothing = _guessed(*[{"meter/power": b"0"}] * 3)["grid_w"]
    assert "0 all the time" in _doubts(nothing)


def test_a_counter_without_a_unit_and_one_with() -> None:
    found = _guessed(*[{"diverter/energy": f"{812.31 + n / 100}".encode()} for n in range(4)])["diverted_wh"]
    assert found.source.scale == 1000
    assert "a counter with decimals is taken as kWh" in _doubts(found)
    found = _guessed(*[{"diverter/energy_kwh": f"{812.31 + n / 100}".encode()} for n in range(4)])["diverted_wh"]
    assert (found.source.scale, _doubts(found)) == (1000, "")


def test_of_two_names_the_one_that_behaves_like_a_counter_is_taken() -> None:
    """The other has the better name: its last part says twice that it counts."""
    wavering, counting = "diverter/energy_total", "diverter/energy"
    rounds = [{wavering: f"{(700, 300, 900)[n % 3]}".encode(), counting: f"{5000 + 10 * n}".encode()} for n in range(6)]
    found = _guessed(*rounds)["diverted_wh"]
    assert found.source.topic == counting
    assert [other.topic for other in found.alternatives] == [wavering]
    alone = _guessed(*[{wavering: one[wavering]} for one in rounds])["diverted_wh"]
    assert "it went back while it was listened to" in _doubts(alone)


def test_a_share_of_one_is_no_per_cent() -> None:
    found = _guessed(*[{"tank/charge": b"0.62"}] * 3)["tank_level_pct"]
    assert (found.source.scale, found.value) == (100, 62)
    assert "a share of 1" in _doubts(found)


def test_charge_and_discharge_in_members_of_their_own() -> None:
    payload = b'{"at": "2026-06-01T10:00:00Z", "flows": {"charge_w": 0, "discharge_w": 420}, "state": {"soc": "41%"}}'
    found = _guessed({"shed/battery": payload})
    source = found["battery_w"].source
    assert (source.pointer, source.minus_pointer) == ("/flows/charge_w", "/flows/discharge_w")
    assert source.time_pointer == "/at"
    assert found["battery_w"].value == -420
    assert (found["battery_level_pct"].source.pointer, found["battery_level_pct"].value) == ("/state/soc", 41)


def test_import_and_export_power_of_a_meter_are_one_signal() -> None:
    found = _guessed({"cupboard/meter": b'{"import_kw": 0, "export_kw": 1.25, "import_kwh": 4211.5, "out_kwh": 377}'})
    source = found["grid_w"].source
    assert (source.pointer, source.minus_pointer, source.scale) == ("/import_kw", "/export_kw", 1000)
    assert found["grid_w"].value == -1250
    assert found["import_wh"].value == 4_211_500


def test_retained_only_is_doubtful_and_a_slow_sender_gets_its_time() -> None:
    found = _guessed({"meter/power": b"-420"}, retained=True)["grid_w"]
    assert "only a retained value" in _doubts(found)
    slow = _guessed(*[{"meter/power": b"-420", "tank/level": b"50"}] * 5, every_s=90)
    assert slow["grid_w"].stale_after_s == 270
    assert slow["tank_level_pct"].stale_after_s is None, "a tank's usual time is enough"


def test_samples_are_thinned_and_spread_over_all_the_time() -> None:
    survey = Survey()
    for second in range(5 * MOST_SAMPLES):
        listened(survey, second, {"meter/power": b"1"})
    content = survey.topics["meter/power"]
    times = [at_s for at_s, _ in content.samples]
    assert len(times) <= MOST_SAMPLES
    assert times == sorted(times)
    assert times[0] == 0
    assert times[-1] == 5 * MOST_SAMPLES - 1
    assert content.period_s == 1
    assert pace(content) == "every 1 s"
