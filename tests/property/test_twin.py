"""Whatever is done to the twin, its heat adds up, and putting its waiting off changes nothing."""

from typing import Any, get_args

from hypothesis import given
from hypothesis import strategies as st

from rules.tank.cylinder import Cylinder
from rules.tank.gauge import Gauge, Meaning
from rules.tank.twin import Source, Twin

step = st.fixed_dictionaries(
    {
        "wait_s": st.sampled_from([0.0, 60.0, 3600.0, 40_000.0]),
        "dt_s": st.sampled_from([1.0, 60.0, 600.0]),
        "sun_w": st.one_of(st.just(0.0), st.floats(1.0, 6000.0)),
        "coil_w": st.one_of(st.just(0.0), st.floats(1.0, 20000.0)),
        "need_wh": st.one_of(st.just(0.0), st.floats(0.1, 15000.0)),
        "tap_c": st.floats(30.0, 55.0),
    }
)


def _twin(nodes: int, volume_l: float, ua: float, temp_c: float) -> Twin:
    sources = [Source(0, 0, 65.0), Source(nodes // 2, nodes - 1, 60.0)]
    return Twin(Cylinder(volume_l, nodes, ua), (temp_c,) * nodes, sources)


def _do(twin: Twin, done: dict[str, Any], at_once: bool) -> float:
    """One step; returns the heat short at the taps, Wh."""
    twin.wait(done["wait_s"])
    if at_once:
        assert twin.temps_c  # looking makes the loss count now
    watts = [twin.limited_w(i, done[name], done["dt_s"]) for i, name in enumerate(("sun_w", "coil_w"))]
    served = twin.advance(done["dt_s"], watts, done["need_wh"], done["tap_c"])
    if served is None:
        return 0.0
    assert served.tank_wh + served.short_wh <= done["need_wh"] * (1 + 1e-9) + 1e-9
    return served.short_wh


@given(
    nodes=st.integers(1, 12),
    volume_l=st.floats(30.0, 800.0),
    ua=st.floats(0.0, 5.0),
    temp_c=st.floats(10.0, 70.0),
    steps=st.lists(step, max_size=25),
)
def test_heat_taken_is_drawn_lost_or_stored(
    nodes: int, volume_l: float, ua: float, temp_c: float, steps: list[dict[str, Any]]
) -> None:
    twin, lazy = (_twin(nodes, volume_l, ua, temp_c) for _ in range(2))
    before_wh = twin.stored_wh()
    through_wh = 1.163 * volume_l * 100
    for done in steps:
        assert abs(_do(twin, done, True) - _do(lazy, done, False)) <= 1e-6
        through_wh += done["sun_w"] + done["coil_w"] + done["need_wh"]
    change_wh = twin.stored_wh() - before_wh
    assert abs(twin.taken_wh - twin.drawn_wh - twin.lost_wh - change_wh) <= 1e-10 * through_wh
    assert all(abs(one - other) <= 1e-9 for one, other in zip(twin.temps_c, lazy.temps_c, strict=True))
    assert max(twin.temps_c) <= max(temp_c, 65.0) + 0.01
    assert min(twin.temps_c) >= 10.0 - 1e-9


@given(
    temps=st.lists(st.floats(5.0, 90.0), min_size=1, max_size=20),
    meaning=st.sampled_from(get_args(Meaning)),
    steps=st.integers(0, 10),
)
def test_a_gauge_shows_0_to_100_and_no_less_of_a_warmer_tank(temps: list[float], meaning: Any, steps: int) -> None:
    gauge = Gauge(meaning, steps=steps)
    temps = sorted(temps)
    shown = gauge.level_pct(temps)
    assert 0.0 <= shown <= 100.0
    assert shown <= gauge.level_pct([temp_c + 5.0 for temp_c in temps]) + 1e-9
    if steps:
        assert abs(shown * steps / 100 - round(shown * steps / 100)) <= 1e-9
