"""What an invented house uses besides hot water, W: a base, a fridge, lives being lived."""

from daemon.simulation.house.chance import source
from daemon.simulation.house.spec import HabitsSpec

SLOT_S = 900


class Appliances:
    """The house's load; a function of its habits, the seed and the time alone."""

    def __init__(self, habits: HabitsSpec, seed: int) -> None:
        self._habits = habits
        self._seed = seed
        self._slot = -1
        self._steady_w = 0.0
        self._kettle_from_s = float("inf")

    def power_w(self, utc_s: float, local_hour: int) -> float:
        """The load at that second. local_hour: 0-23, by the clock on the kitchen wall."""
        slot = int(utc_s // SLOT_S)
        if slot != self._slot:
            self._begin(slot, local_hour)
        watts, habits = self._steady_w, self._habits
        if utc_s % habits.fridge_every_s < habits.fridge_on_s:
            watts += habits.fridge_w
        if self._kettle_from_s <= utc_s < self._kettle_from_s + habits.kettle_s:
            watts += habits.kettle_w
        return watts

    def _begin(self, slot: int, local_hour: int) -> None:
        chance, habits = source(self._seed, "load", slot), self._habits
        self._slot = slot
        self._steady_w = habits.base_w + habits.living_w[local_hour] * chance.uniform(0.5, 1.5)
        boils = chance.random() < habits.kettle[local_hour]
        self._kettle_from_s = slot * SLOT_S + chance.uniform(0, SLOT_S - habits.kettle_s) if boils else float("inf")
        if chance.random() < habits.cooker[local_hour]:
            self._steady_w += habits.cooker_w * chance.uniform(0.5, 1.0)
