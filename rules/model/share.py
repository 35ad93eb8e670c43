"""What a guard has to reckon with beside the snapshot: what the heaters asked first leave, and what is required."""

from typing import NamedTuple


class Share(NamedTuple):
    """taken_w: W of the surplus that the earlier ones take; holder: index of the heater that is on where only one may
    be, else -1; from_grid: whether `heat` is required of this heater, which then needs no surplus.
    """

    taken_w: float
    holder: int
    from_grid: bool = False


WHOLE = Share(0.0, -1)
"""Nothing taken: what the first heater, and an only one, finds."""
WHOLE_FROM_GRID = Share(0.0, -1, True)
"""The same where `heat` is required of it."""
