"""What a guard sees beside the snapshot: what the heaters judged before this one leave, and what is required of it."""

from typing import NamedTuple


class Share(NamedTuple):
    """taken_w: W of the surplus that the earlier heaters take; holder: if only one heater may be on, the index of the
    one that is, else -1; from_grid: whether `heat` is required of this heater, which then needs no surplus.
    """

    taken_w: float
    holder: int
    from_grid: bool = False


WHOLE = Share(0.0, -1)
"""Nothing is taken yet: the share of the first heater, or of an only one."""
WHOLE_FROM_GRID = Share(0.0, -1, True)
"""The same for a heater that is required to `heat`."""
