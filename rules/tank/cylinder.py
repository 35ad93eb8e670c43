"""The hot-water cylinder as a stack of equal layers: draws, standing loss, heating and buoyancy, with exact books.

A litre counts as a kilogram and holds 1.163 Wh/K at every temperature, as the draw profiles of Regulation (EU) 814/2013
count it (V = Q / (1.163e-3 (T - 10))). By the steam tables a litre holds 0.2 % more at 10 °C and 2.2 % less at 70 °C
(tests/standards). Layer 0 is the bottom, where cold water enters; the last is the top, where hot water leaves.
Conduction between layers is not modelled; a draw of less than a layer blurs the profile instead.

Thermostats and cut-outs belong to the house, not to the water: nothing here stops at a temperature.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from math import exp, expm1
from typing import NamedTuple

WH_PER_L_K = 1.163
"""Heat a litre of water holds per kelvin: 4.1868 kJ/(kg·K), the international table calorie, over 3.6."""


@dataclass(frozen=True, slots=True)
class Cylinder:
    """A vertical tank of `nodes` equal layers.

    volume_l: water content, L, above 0; nodes: at least 1 (more than about 4 gain little in a study, Ritchie et al.);
    ua_w_per_k: standing loss per kelvin above the surroundings, shared by volume as EN 15316-5 does.
    Raises ValueError for an impossible tank.
    """

    volume_l: float
    nodes: int
    ua_w_per_k: float
    node_l: float = field(init=False, repr=False)
    node_wh_per_k: float = field(init=False, repr=False)

    def __post_init__(self) -> None:
        if not (self.volume_l > 0 and self.nodes >= 1 and self.ua_w_per_k >= 0):
            raise ValueError(
                f"impossible cylinder: {self.volume_l} L in {self.nodes} layers, losing {self.ua_w_per_k} W/K"
            )
        object.__setattr__(self, "node_l", self.volume_l / self.nodes)
        object.__setattr__(self, "node_wh_per_k", WH_PER_L_K * self.volume_l / self.nodes)


class Step(NamedTuple):
    """The tank after a step, and where the heat went.

    temps_c: layers from the bottom up, never colder above than below; drawn_wh: heat carried out above the cold water
    that came in; lost_wh: heat lost to the surroundings (negative: gained);
    drawn_c: mean temperature of the water that left (the top layer's when none did).
    """

    temps_c: tuple[float, ...]
    drawn_wh: float
    lost_wh: float
    drawn_c: float


def step(
    cylinder: Cylinder,
    temps_c: Sequence[float],
    dt_s: float,
    *,
    heat_w: Iterable[tuple[int, float]] = (),
    draw_l: float = 0.0,
    cold_c: float = 10.0,
    ambient_c: float = 20.0,
) -> Step:
    """The tank `dt_s` seconds later: first the draw, then loss and heating together, then warm water rises.

    temps_c: one per layer, °C, bottom first; heat_w: (layer, W) pairs, constant through the step; draw_l: L leaving at
    the top while as much enters at the bottom at cold_c; ambient_c: °C around the tank.
    Loss and heating are the closed solution of dT/dt = (P - UA (T - T_a)) / C for any dt_s (the mixed
    tank of the EnergyPlus engineering reference), and the tank's total heat is exact however its layers mix,
    because the loss is linear and shared by volume. Stored change = heat in - drawn_wh - lost_wh, to rounding.
    Raises ValueError for temperatures that do not match the layers, or a negative time or draw.
    """
    if len(temps_c) != cylinder.nodes or not (dt_s >= 0 and draw_l >= 0):
        raise ValueError(f"{len(temps_c)} temperatures for {cylinder.nodes} layers, {dt_s} s, {draw_l} L drawn")
    temps = list(temps_c)
    drawn_c = temps[-1]
    drawn_wh = 0.0
    if draw_l > 0:
        drawn_c = _draw(cylinder.node_l, temps, draw_l, cold_c)
        drawn_wh = WH_PER_L_K * draw_l * (drawn_c - cold_c)

    ua, heat_per_k = cylinder.ua_w_per_k, cylinder.node_wh_per_k
    decay_per_s = ua / (heat_per_k * cylinder.nodes * 3600.0)
    decay = exp(-decay_per_s * dt_s)
    effective_s = -expm1(-decay_per_s * dt_s) / decay_per_s if decay_per_s else dt_s
    above_k = sum(temps) / cylinder.nodes - ambient_c
    if decay != 1.0:
        temps = [ambient_c + (t - ambient_c) * decay for t in temps]
    power_w = 0.0
    for node, watts in heat_w:
        temps[node] += watts * effective_s / (3600.0 * heat_per_k)
        power_w += watts
    lost_wh = (ua * above_k * effective_s + power_w * (dt_s - effective_s)) / 3600.0
    _rise(temps)
    return Step(tuple(temps), drawn_wh, lost_wh, drawn_c)


def _draw(node_l: float, temps: list[float], draw_l: float, cold_c: float) -> float:
    """Plug flow: shift the profile up by draw_l, in place, each layer taking the mean of what it then holds.

    Returns the mean temperature of what left. Whole layers move unblurred.
    """
    nodes = len(temps)
    whole = min(int(draw_l / node_l), nodes)
    part = draw_l / node_l - whole if whole < nodes else 0.0
    left = sum(temps[nodes - whole :])
    if whole == nodes:
        left += (draw_l / node_l - nodes) * cold_c
    elif part:
        left += part * temps[nodes - whole - 1]
    if whole:
        temps[:] = [cold_c] * whole + temps[: nodes - whole]
    if part:
        below = cold_c
        for i in range(whole, nodes):
            here = temps[i]
            temps[i] = here + part * (below - here)
            below = here
    return left * node_l / draw_l


def _rise(temps: list[float]) -> None:
    """Mix, in place, layers that lie colder above warmer, in the fewest and smallest pools that leave none such."""
    count = len(temps)
    i = 1
    while i < count:
        if temps[i - 1] <= temps[i]:
            i += 1
            continue
        low, high = i - 1, i + 1
        total = temps[low] + temps[i]
        while True:
            mean = total / (high - low)
            if high < count and mean > temps[high]:
                total += temps[high]
                high += 1
            elif low and temps[low - 1] > mean:
                low -= 1
                total += temps[low]
            else:
                break
        temps[low:high] = [mean] * (high - low)
        i = high


def stored_wh(cylinder: Cylinder, temps_c: Sequence[float], above_c: float) -> float:
    """Heat in the tank above `above_c`, Wh; negative where the tank is colder."""
    return cylinder.node_wh_per_k * (sum(temps_c) - cylinder.nodes * above_c)


def tank_l(tap_l: float, tap_c: float, top_c: float, cold_c: float) -> float:
    """Litres the tank gives so that `tap_l` litres reach the tap at `tap_c`, cold water being mixed in.

    All of tap_l if the tank's top is not warmer than tap_c: the tap then runs as warm as the tank.
    """
    if top_c <= tap_c:
        return tap_l
    return tap_l * (tap_c - cold_c) / (top_c - cold_c)
