"""What the demo house uses besides hot water, W: a base, a fridge, lives being lived."""

from daemon.simulation.house.chance import source

SLOT_S = 900

BASE_W = 140.0
FRIDGE_W, FRIDGE_ON_S, FRIDGE_EVERY_S = 85.0, 1100, 3000

# Watts of lamps, screens and the like by local hour, and how likely a kettle or a cooker is in a quarter of that hour.
_LIVING_W = (
    40,
    30,
    30,
    30,
    30,
    50,
    150,
    260,
    220,
    140,
    130,
    150,
    190,
    170,
    130,
    140,
    190,
    280,
    340,
    360,
    380,
    380,
    280,
    120,
)
_KETTLE = (
    0,
    0,
    0,
    0,
    0,
    0.05,
    0.25,
    0.4,
    0.3,
    0.1,
    0.25,
    0.1,
    0.25,
    0.2,
    0.1,
    0.2,
    0.15,
    0.2,
    0.2,
    0.1,
    0.2,
    0.2,
    0.1,
    0,
)
_COOKER = (0, 0, 0, 0, 0, 0, 0, 0.1, 0.05, 0, 0, 0.05, 0.25, 0.1, 0, 0, 0.1, 0.5, 0.6, 0.15, 0, 0, 0, 0)

KETTLE_W, KETTLE_S = 2200.0, 180
COOKER_W = 1400.0


class Appliances:
    """The house's load; a function of the seed and the time alone."""

    def __init__(self, seed: int) -> None:
        self._seed = seed
        self._slot = -1
        self._steady_w = 0.0
        self._kettle_from_s = float("inf")

    def power_w(self, utc_s: float, local_hour: int) -> float:
        """The load at that second. local_hour: 0-23, by the clock on the kitchen wall."""
        slot = int(utc_s // SLOT_S)
        if slot != self._slot:
            self._begin(slot, local_hour)
        watts = self._steady_w
        if utc_s % FRIDGE_EVERY_S < FRIDGE_ON_S:
            watts += FRIDGE_W
        if self._kettle_from_s <= utc_s < self._kettle_from_s + KETTLE_S:
            watts += KETTLE_W
        return watts

    def _begin(self, slot: int, local_hour: int) -> None:
        chance = source(self._seed, "load", slot)
        self._slot = slot
        self._steady_w = BASE_W + _LIVING_W[local_hour] * chance.uniform(0.5, 1.5)
        boils = chance.random() < _KETTLE[local_hour]
        self._kettle_from_s = slot * SLOT_S + chance.uniform(0, SLOT_S - KETTLE_S) if boils else float("inf")
        if chance.random() < _COOKER[local_hour]:
            self._steady_w += COOKER_W * chance.uniform(0.5, 1.0)
