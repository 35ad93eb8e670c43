"""The twin: one hot-water tank with its elements, thermostats, boiler coil and taps, through time.

The water is the `Cylinder` of rules/tank/cylinder.py. A draw moves the layers up and mixes each layer with the part of
its neighbour that enters it. A draw mixes nothing else, so the number of layers sets how sharp the border between hot
and cold stays. Cold water enters at the bottom without a jet. Heat rises at once.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf
from typing import NamedTuple

from rules.tank.cylinder import WH_PER_L_K, Cylinder, step, stored_wh


@dataclass(frozen=True, slots=True)
class Source:
    """What heats the tank: an immersion element (low = high) or a boiler's coil (low to high).

    low, high: layers, counted from the bottom; thermostat_c: it stops when everything above its lowest layer has that
    temperature; hysteresis_k: it starts again when its lowest layer is so much colder.
    """

    low: int
    high: int
    thermostat_c: float = inf
    hysteresis_k: float = 5.0


class Served(NamedTuple):
    """A draw. tank_l: litres out of the tank; tank_wh: heat in them above cold; short_wh: heat that was missing."""

    tank_l: float
    tank_wh: float
    short_wh: float


def element_at(heater: str) -> float:
    """The height of a heater's element by its name: `upper`, or else at the bottom (common practice, no source)."""
    return 0.6 if heater == "upper" else 0.0


def layer_at(cylinder: Cylinder, height: float) -> int:
    """The layer at a height, 0 (bottom) to 1 (top)."""
    return min(int(height * cylinder.nodes), cylinder.nodes - 1)


class Twin:
    """A tank in a state. Stored change = taken - drawn - lost in every step, to rounding.

    temps_c: one per layer, °C, bottom first; sources: what heats it, in the order in which `advance` takes their watts;
    cold_c: the water that enters; ambient_c: around the tank. drawn_wh, lost_wh, taken_wh: totals since the start.
    """

    def __init__(
        self,
        cylinder: Cylinder,
        temps_c: Sequence[float],
        sources: Sequence[Source] = (),
        *,
        cold_c: float = 10.0,
        ambient_c: float = 20.0,
    ) -> None:
        for source in sources:
            if not (0 <= source.low <= source.high < cylinder.nodes and source.hysteresis_k >= 0):
                raise ValueError(f"{source} is not a heat source of a tank of {cylinder.nodes} layers")
        self.cylinder = cylinder
        self.sources = tuple(sources)
        self.cold_c = cold_c
        self.ambient_c = ambient_c
        self.drawn_wh = self.lost_wh = self.taken_wh = 0.0
        self._temps_c = tuple(temps_c)
        self._idle_s = 0.0
        self._satisfied = [False] * len(self.sources)

    @property
    def temps_c(self) -> tuple[float, ...]:
        """The layers' temperatures now, °C, bottom first."""
        if self._idle_s:
            self._cool()
        return self._temps_c

    @temps_c.setter
    def temps_c(self, temps_c: Sequence[float]) -> None:
        """Put the tank into another state; the totals so far stay."""
        if len(temps_c) != self.cylinder.nodes:
            raise ValueError(f"{len(temps_c)} temperatures for {self.cylinder.nodes} layers")
        self._cool()
        self._temps_c = tuple(temps_c)

    def stored_wh(self) -> float:
        """Heat in the tank above cold, Wh."""
        return stored_wh(self.cylinder, self.temps_c, self.cold_c)

    def wait(self, dt_s: float) -> None:
        """Let time pass and nothing else. The loss is worked out, exactly, when the state is next needed."""
        self._idle_s += dt_s

    def limited_w(self, source: int, wanted_w: float, dt_s: float) -> float:
        """How much of wanted_w a source can give in the next dt_s, W: its thermostat stops it in warm water."""
        heating = self.sources[source]
        if heating.thermostat_c == inf:
            return wanted_w
        temps_c = self.temps_c
        if self._satisfied[source]:
            if temps_c[heating.low] > heating.thermostat_c - heating.hysteresis_k:
                return 0.0
            self._satisfied[source] = False
        room_k = sum(
            [heating.thermostat_c - temp_c for temp_c in temps_c[heating.low :] if temp_c < heating.thermostat_c]
        )
        most_w = room_k * self.cylinder.node_wh_per_k * 3600.0 / dt_s
        if wanted_w < most_w:
            return wanted_w
        self._satisfied[source] = True
        return most_w

    def advance(
        self,
        dt_s: float,
        watts: Sequence[float] = (),
        need_wh: float = 0.0,
        tap_c: float = 40.0,
        *,
        draw_l: float = 0.0,
    ) -> Served | None:
        """The next dt_s: first the draw, then loss and heating together.

        watts: each source's, as `limited_w` allows them; need_wh: heat wanted at the taps above cold, with water of
        tap_c; or draw_l: litres out of the tank, where the taps' mixing is worked out elsewhere. Returns what the taps
        got of need_wh.
        """
        if self._idle_s:
            self._cool()
        served = self.tapped(need_wh, tap_c) if need_wh > 0 else None
        heat_w: list[tuple[int, float]] = []
        given_w = 0.0
        for source, power_w in zip(self.sources, watts, strict=False):
            if not power_w:
                continue
            given_w += power_w
            if source.low == source.high:
                heat_w.append((source.low, power_w))
            else:
                layers = range(source.low, source.high + 1)
                heat_w += [(layer, power_w / len(layers)) for layer in layers]
        after = step(
            self.cylinder,
            self._temps_c,
            dt_s,
            heat_w=heat_w,
            draw_l=served.tank_l if served is not None else draw_l,
            cold_c=self.cold_c,
            ambient_c=self.ambient_c,
        )
        self._temps_c = after.temps_c
        self.taken_wh += given_w * dt_s / 3600.0
        self.drawn_wh += after.drawn_wh
        self.lost_wh += after.lost_wh
        return served

    def tapped(self, need_wh: float, tap_c: float) -> Served:
        """What the tank gives of a draw of need_wh at tap_c; nothing is drawn yet.

        The taps want a volume of water at tap_c. Hotter water is mixed with cold; cooler water comes as it is, so its
        heat falls short. The taps never take more than that volume, and none where the cold water is as warm as tap_c.
        """
        if tap_c <= self.cold_c:
            return Served(0.0, 0.0, 0.0)
        want_l = need_wh / (WH_PER_L_K * (tap_c - self.cold_c))
        node_l, cold_c = self.cylinder.node_l, self.cold_c
        tank_l = tank_wh = 0.0
        for temp_c in reversed(self.temps_c):
            stretch = max((temp_c - cold_c) / (tap_c - cold_c), 1.0)
            part_l = min(node_l, want_l / stretch)
            tank_l += part_l
            tank_wh += WH_PER_L_K * part_l * (temp_c - cold_c)
            want_l -= part_l * stretch
            if want_l <= 1e-12:
                break
        return Served(tank_l, tank_wh, max(need_wh - tank_wh, 0.0))

    def _cool(self) -> None:
        after = step(self.cylinder, self._temps_c, self._idle_s, cold_c=self.cold_c, ambient_c=self.ambient_c)
        self._idle_s = 0.0
        self._temps_c = after.temps_c
        self.lost_wh += after.lost_wh
