"""What the heaters that were asked first leave to the next one."""

from typing import NamedTuple


class Share(NamedTuple):
    """taken_w: W of the surplus that the earlier ones take; holder: index of the heater that is on where only one may
    be, else -1.
    """

    taken_w: float
    holder: int


WHOLE = Share(0.0, -1)
"""Nothing taken: what the first heater, and an only one, finds."""
