"""The heat in the tank from half hour to half hour, and how much of it a tap can use."""

from dataclasses import dataclass

from rules.planning.store import Store


@dataclass(slots=True)
class Stock:
    """wh: heat in the tank; usable_wh: how much of it is in water that is warm enough for a tap.

    Heat that is put in warms what is cold first: it is of use once the whole tank is warm (`Store.warm_wh`). Without
    such a level all heat is of use.
    """

    wh: float
    usable_wh: float

    @classmethod
    def of(cls, wh: float) -> "Stock":
        """A tank whose heat is taken to be of use, for nothing shows how warm which part of it is."""
        return cls(wh, wh)

    def cool(self, store: Store) -> None:
        """Half an hour's loss."""
        keep = 1.0 - store.loss_per_half_hour
        self.wh *= keep
        self.usable_wh *= keep

    def draw(self, store: Store, wh: float) -> float:
        """A draw, and what of it the tank could not serve. Lukewarm water runs all the same."""
        missing_wh = wh - min(max(self.usable_wh - store.lukewarm_wh, 0.0), wh)
        self.wh = max(self.wh - wh, 0.0)
        self.usable_wh = max(self.usable_wh - wh, 0.0)
        return missing_wh

    def put(self, store: Store, wh: float, *, of_use_wh: float = 0.0) -> None:
        """Heat that goes in. of_use_wh: how much of it goes on until the tank is warm, and counts as such already."""
        self.wh += wh
        self.usable_wh = self.wh if self.wh >= store.warm_wh else min(self.usable_wh + of_use_wh, self.wh)
