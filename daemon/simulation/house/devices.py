"""The demo house's devices: battery, an element's own protections, the diverter. Each knows only its own terminals."""

SMALLEST_DIVERSION_W = 100.0
"""Less than this is not worth switching an element for (common practice, no source)."""


class HouseBattery:
    """A small battery that fills from what the house does not use and feeds the house, never the tank."""

    capacity_wh = 5000.0
    most_w = 2400.0
    one_way = 0.96
    reserve_wh = 250.0

    def __init__(self, stored_wh: float = 2000.0) -> None:
        self.stored_wh = stored_wh

    @property
    def level_pct(self) -> float:
        return 100.0 * self.stored_wh / self.capacity_wh

    def take(self, spare_w: float, dt_s: float) -> float:
        """Charge from spare_w, or (below 0) feed what is missing; W at the terminals, + charging, - discharging."""
        hours = dt_s / 3600.0
        if spare_w >= 0:
            room_w = max(0.0, self.capacity_wh - self.stored_wh) / (self.one_way * hours)
            watts = min(spare_w, self.most_w, room_w)
            self.stored_wh += watts * self.one_way * hours
        else:
            ready_w = max(0.0, self.stored_wh - self.reserve_wh) * self.one_way / hours
            watts = -min(-spare_w, self.most_w, ready_w)
            self.stored_wh += watts / self.one_way * hours
        return watts


class Protections:
    """An element's control thermostat, and the cut-out behind it that only a person can reset.

    opens_c: the thermostat opens at it and closes `differential_k` below; cut_out_c: trips for good.
    """

    differential_k = 5.0

    def __init__(self, opens_c: float, cut_out_c: float = 80.0) -> None:
        self.opens_c = opens_c
        self.cut_out_c = cut_out_c
        self.closed = True
        self.tripped = False

    def let_through(self, water_c: float) -> bool:
        """Whether current may flow at this water temperature."""
        if water_c >= self.cut_out_c:
            self.tripped = True
        if water_c >= self.opens_c:
            self.closed = False
        elif water_c < self.opens_c - self.differential_k:
            self.closed = True
        return self.closed and not self.tripped

    def reset_cut_out(self) -> None:
        """What a person does with a thin screwdriver, after finding out why it tripped."""
        self.tripped = False


_ORDERS = {b"no": False, b"yes": True}


class Diverter:
    """Puts surplus into one element while it is permitted, at whatever power leaves a little for the meter to export.

    Its permit lapses by itself when it has heard no order for `lapses_after_s`.
    """

    leave_w = 20.0

    def __init__(self, rated_w: float, lapses_after_s: float) -> None:
        self.rated_w = rated_w
        self.lapses_after_s = lapses_after_s
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
        return self._permitted and now_s - self._heard_at_s < self.lapses_after_s

    def power_w(self, spare_w: float, now_s: float) -> float:
        """What it takes of spare_w, W, if its element lets current through."""
        watts = min(self.rated_w, spare_w - self.leave_w)
        return watts if watts >= SMALLEST_DIVERSION_W and self.permitted(now_s) else 0.0
