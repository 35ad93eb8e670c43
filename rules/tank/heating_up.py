"""How long a heater takes to heat the tank."""

from rules.tank.cylinder import WH_PER_L_K

MARGIN = 1.25
"""A margin on the time: draws, scale on the element and low mains voltage make it longer (common practice, no
source)."""


def heat_up_s(volume_l: float, from_c: float, to_c: float, rated_w: float, loss_w: float = 0.0) -> float:
    """Seconds until a tank of `volume_l` litres at from_c is at to_c throughout, the margin included.

    rated_w: the heater's power, W; loss_w: the full tank's standing loss, W, used for the whole time.
    Infinite if the heater gives no more than the tank loses; 0 if the tank is that warm already.
    """
    if to_c <= from_c:
        return 0.0
    if rated_w <= loss_w:
        return float("inf")
    return MARGIN * WH_PER_L_K * volume_l * (to_c - from_c) / (rated_w - loss_w) * 3600.0
