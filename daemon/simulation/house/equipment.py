"""An invented house's battery, its elements' own protections, and its diverter. Each knows only its own terminals."""

from daemon.simulation.house.spec import BatterySpec, DiverterSpec, ElementSpec


class HouseBattery:
    """A small battery that fills from what the house does not use and feeds the house, never the tank."""

    def __init__(self, spec: BatterySpec) -> None:
        self.spec = spec
        self.stored_wh = spec.stored_wh

    @property
    def level_pct(self) -> float:
        return 100.0 * self.stored_wh / self.spec.capacity_wh if self.spec.capacity_wh else 0.0

    def take(self, spare_w: float, dt_s: float) -> float:
        """Charge from spare_w, or (below 0) feed what is missing; W at the terminals, + charging, - discharging."""
        hours, spec = dt_s / 3600.0, self.spec
        if spare_w >= 0:
            room_w = max(0.0, spec.capacity_wh - self.stored_wh) / (spec.one_way * hours)
            watts = min(spare_w, spec.most_w, room_w)
            self.stored_wh += watts * spec.one_way * hours
        else:
            ready_w = max(0.0, self.stored_wh - spec.reserve_wh) * spec.one_way / hours
            watts = -min(-spare_w, spec.most_w, ready_w)
            self.stored_wh += watts / spec.one_way * hours
        return watts


class Protections:
    """An element's control thermostat, and the cut-out behind it that only a person can reset."""

    def __init__(self, spec: ElementSpec) -> None:
        self.spec = spec
        self.closed = True
        self.tripped = False

    def let_through(self, water_c: float) -> bool:
        """Whether current may flow at this water temperature."""
        if water_c >= self.spec.cut_out_c:
            self.tripped = True
        if water_c >= self.spec.thermostat_c:
            self.closed = False
        elif water_c < self.spec.thermostat_c - self.spec.differential_k:
            self.closed = True
        return self.closed and not self.tripped

    def reset_cut_out(self) -> None:
        """What a person does with a thin screwdriver, after finding out why it tripped."""
        self.tripped = False


_ORDERS = {b"no": False, b"yes": True}


class Diverter:
    """Puts surplus into one element while it is permitted, at whatever power leaves a little for the meter to export.

    Its permit lapses by itself when it has heard no order for `lapses_after_s`. rated_w: its element's.
    """

    def __init__(self, spec: DiverterSpec, rated_w: float) -> None:
        self.spec = spec
        self.rated_w = rated_w
        self._permitted = False
        self._heard_at_s = float("-inf")

    def obey(self, payload: bytes, now_s: float) -> bool:
        """Take an order; False for a payload that is none, which changes nothing."""
        order = _ORDERS.get(payload)
        if order is None:
            return False
        self._permitted = order
        self._heard_at_s = now_s
        return True

    def permitted(self, now_s: float) -> bool:
        """Whether it may divert: by an order that has not lapsed."""
        return self._permitted and now_s - self._heard_at_s < self.spec.lapses_after_s

    def power_w(self, spare_w: float, now_s: float) -> float:
        """What it takes of spare_w, W, if its element lets current through."""
        watts = min(self.rated_w, spare_w - self.spec.leave_w)
        return watts if watts >= self.spec.smallest_w and self.permitted(now_s) else 0.0
