"""Whatever is done to the cylinder, its heat adds up and warm water is on top."""

from hypothesis import example, given
from hypothesis import strategies as st

from rules.tank.cylinder import Cylinder, step, stored_wh, tank_l

temperature = st.floats(0.0, 95.0)


@st.composite
def tanks(draw: st.DrawFn) -> tuple[Cylinder, tuple[float, ...]]:
    nodes = draw(st.integers(1, 12))
    ua = draw(st.one_of(st.just(0.0), st.floats(1e-6, 10.0)))
    cylinder = Cylinder(draw(st.floats(20.0, 1000.0)), nodes, ua)
    return cylinder, tuple(draw(st.lists(temperature, min_size=nodes, max_size=nodes)))


@given(
    tank=tanks(),
    dt_s=st.floats(0.0, 7200.0),
    heat=st.lists(st.tuples(st.integers(0, 11), st.floats(0.0, 6000.0)), max_size=3),
    draw_l=st.one_of(st.just(0.0), st.floats(0.001, 2500.0)),
    cold_c=st.floats(1.0, 25.0),
    ambient_c=st.floats(-5.0, 40.0),
)
@example(
    tank=(Cylinder(100.0, 4, 0.0), (90.0, 10.0, 50.0, 20.0)),
    dt_s=60.0,
    heat=[(0, 3000.0)],
    draw_l=100.0,
    cold_c=10.0,
    ambient_c=20.0,
)
@example(
    tank=(Cylinder(100.0, 4, 2.0), (10.0, 10.0, 50.0, 60.0)),
    dt_s=60.0,
    heat=[],
    draw_l=25.0,
    cold_c=10.0,
    ambient_c=20.0,
)
def test_heat_in_is_stored_drawn_or_lost(
    tank: tuple[Cylinder, tuple[float, ...]],
    dt_s: float,
    heat: list[tuple[int, float]],
    draw_l: float,
    cold_c: float,
    ambient_c: float,
) -> None:
    cylinder, temps = tank
    heat_w = tuple((node % cylinder.nodes, watts) for node, watts in heat)

    after = step(cylinder, temps, dt_s, heat_w=heat_w, draw_l=draw_l, cold_c=cold_c, ambient_c=ambient_c)

    into_wh = sum(watts for _, watts in heat_w) * dt_s / 3600.0
    gained_wh = stored_wh(cylinder, after.temps_c, cold_c) - stored_wh(cylinder, temps, cold_c)
    through_wh = 1.163 * (cylinder.volume_l + draw_l) * 100.0 + into_wh
    assert abs(into_wh - gained_wh - after.drawn_wh - after.lost_wh) <= 1e-11 * through_wh
    assert all(above - below >= -1e-9 for below, above in zip(after.temps_c, after.temps_c[1:], strict=False))


@given(tank=tanks(), parts=st.integers(2, 5), dt_s=st.floats(1.0, 86400.0), watts=st.floats(0.0, 3000.0))
def test_a_step_in_parts_is_the_same_step(
    tank: tuple[Cylinder, tuple[float, ...]], parts: int, dt_s: float, watts: float
) -> None:
    """Exact in time, so not a matter of step size; heat enters at the top layer, where buoyancy cannot blur it."""
    cylinder, temps = tank
    temps = tuple(sorted(temps))
    heat_w = ((cylinder.nodes - 1, watts),)
    whole = step(cylinder, temps, dt_s, heat_w=heat_w)
    lost_wh = 0.0
    for _ in range(parts):
        temps, _, lost, _ = step(cylinder, temps, dt_s / parts, heat_w=heat_w)
        lost_wh += lost

    assert all(abs(a - b) <= 1e-9 * max(1.0, abs(b)) for a, b in zip(temps, whole.temps_c, strict=True))
    assert abs(lost_wh - whole.lost_wh) <= 1e-9 * max(1.0, watts * dt_s / 3600.0, cylinder.volume_l)


@given(tank=tanks(), draw_l=st.floats(0.001, 2500.0), cold_c=st.floats(1.0, 25.0))
def test_nothing_drawn_is_warmer_or_colder_than_what_was_there(
    tank: tuple[Cylinder, tuple[float, ...]], draw_l: float, cold_c: float
) -> None:
    cylinder, temps = tank
    after = step(cylinder, temps, 0.0, draw_l=draw_l, cold_c=cold_c)
    lowest, highest = min(*temps, cold_c), max(*temps, cold_c)
    assert lowest - 1e-9 <= after.drawn_c <= highest + 1e-9
    assert lowest - 1e-9 <= after.temps_c[0] <= after.temps_c[-1] + 1e-9 <= highest + 2e-9


@given(
    tap_l=st.floats(0.1, 200.0), tap_c=st.floats(25.0, 55.0), top_c=st.floats(20.0, 90.0), cold_c=st.floats(1.0, 20.0)
)
def test_mixing_at_the_tap_keeps_the_heat(tap_l: float, tap_c: float, top_c: float, cold_c: float) -> None:
    litres = tank_l(tap_l, tap_c, top_c, cold_c)
    assert litres <= tap_l
    if top_c > tap_c:
        assert abs(litres * (top_c - cold_c) - tap_l * (tap_c - cold_c)) <= 1e-9 * tap_l * top_c
    else:
        assert litres == tap_l
