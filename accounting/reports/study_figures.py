"""A studied year's figures: energy at the meter and into the tank, the bill, carbon, and what they differ by.

Energies are whole mW·s (3,600,000 to the Wh) while they add up; money and carbon are whole millionths and milligrams,
each product rounded once, half to even, in each stretch of an interval at one import price.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from random import Random

from accounting.pricing.carbon import Factor
from accounting.pricing.tariffs import Piece, Priced
from accounting.valuation.formula import half_even

MWS_PER_WH = 3_600_000
CONFIDENCE = 0.9
_DRAWS, _SEED = 2000, 814
FEWEST_BLOCKS = 8
"""Fewer blocks of days show no range."""


@dataclass(frozen=True, slots=True)
class Burner:
    """What helps out when the tank has run cold. Each takes [start, end) UTC seconds: the price, and kg CO2e, of a kWh
    of its heat (None: not known)."""

    price: Callable[[int, int], Fraction | None]
    kg: Callable[[int, int], Fraction | None]


@dataclass(slots=True)
class Stretch:
    """What flowed in a stretch of time at one import price, mW·s."""

    imported: int = 0
    exported: int = 0
    boiler: int = 0


@dataclass(slots=True)
class Bill:
    """Prices the energy that flows. A figure is None if its price or factor is not set up or not known.

    imports, export: tariffs; grid: the carbon of what is bought and sold; boiler: None without one.
    """

    imports: Priced | None
    export: Priced | None
    grid: Factor | None
    boiler: Burner | None
    micro: list[int] = field(default_factory=list)
    mg: list[int] = field(default_factory=list)
    unpriced: dict[str, int] = field(default_factory=dict)
    """Energy without a price or a factor, mW·s, by what is missing."""

    def pieces(self, start_s: int, end_s: int) -> list[Piece]:
        """[start_s, end_s) cut where the import price changes."""
        return self.imports.pieces(start_s, end_s) if self.imports is not None else [Piece(start_s, end_s, None, None)]

    def add(self, block: int, start_s: int, end_s: int, bought: Fraction | None, flowed: Stretch) -> None:
        """Book a stretch. block: the number of the block of days it counts in; bought: its import price."""
        while len(self.micro) <= block:
            self.micro.append(0)
            self.mg.append(0)
        money = carbon = 0
        if flowed.imported:
            money += self._priced("import price", flowed.imported, bought, 1_000_000)
        if flowed.exported and self.export is not None:
            sold = self.export.mean_price(start_s, end_s)
            money -= self._priced("export price", flowed.exported, sold, 1_000_000)
        net = flowed.imported - flowed.exported
        if self.grid is not None and net:
            carbon += self._priced("grid carbon", net, self.grid.at(start_s, end_s), 1_000_000)
        if flowed.boiler and self.boiler is not None:
            heat, kg = self.boiler.price(start_s, end_s), self.boiler.kg(start_s, end_s)
            money += self._priced("boiler price", flowed.boiler, heat, 1_000_000)
            if self.grid is not None:
                carbon += self._priced("boiler carbon", flowed.boiler, kg, 1_000_000)
        self.micro[block] += money
        self.mg[block] += carbon

    def _priced(self, what: str, mws: int, rate: Fraction | None, scale: int) -> int:
        if rate is None:
            self.unpriced[what] = self.unpriced.get(what, 0) + abs(mws)
            return 0
        return half_even(mws * scale * rate.numerator, 1000 * MWS_PER_WH * rate.denominator)

    def cost(self, flowed: int) -> tuple[int, ...] | None:
        """Money by block; None without an import tariff, or where more than a hundredth of what flowed has no price."""
        lacking = sum(mws for what, mws in self.unpriced.items() if what.endswith("price"))
        return None if self.imports is None or lacking * 100 > flowed else tuple(self.micro)

    def carbon(self, flowed: int) -> tuple[int, ...] | None:
        """Carbon by block; None without the grid's factor, or where more than a hundredth of what flowed has none."""
        lacking = sum(mws for what, mws in self.unpriced.items() if what.endswith("carbon"))
        return None if self.grid is None or lacking * 100 > flowed else tuple(self.mg)


@dataclass(frozen=True, slots=True)
class Figures:
    """One variant's outcome. Energies in mW·s; heat: by source, as the journal names them.

    micro, mg: by block of days; None where there is no tariff or no factor. lost is what heat less drawn less stock
    change leaves, and lost_seen what the tank's own sums say of it. short: heat wanted and not had; cold_s: the time
    in which a tap ran colder than wanted; switchings: changes of the heaters' orders.
    """

    house: int
    pv: int
    battery: int
    imported: int
    exported: int
    heat: Mapping[str, int]
    drawn: int
    stock_change: int
    lost_seen: int
    short: int
    cold_s: int
    switchings: int
    micro: tuple[int, ...] | None
    mg: tuple[int, ...] | None
    unpriced: Mapping[str, int]

    @property
    def lost(self) -> int:
        """Heat lost to the surroundings."""
        return sum(self.heat.values()) - self.drawn - self.stock_change

    @property
    def heater(self) -> int:
        """Electricity into the tank, from whichever source."""
        return sum(wh for source, wh in self.heat.items() if source != "boiler")

    @property
    def cost_micro(self) -> int | None:
        """Import bill less export income, with the boiler's fuel."""
        return None if self.micro is None else sum(self.micro)

    @property
    def co2_mg(self) -> int | None:
        """Carbon of import less export, with the boiler's."""
        return None if self.mg is None else sum(self.mg)


def paired_range(
    first: Sequence[int], other: Sequence[int], confidence: float = CONFIDENCE
) -> tuple[float, float] | None:
    """Between which the sum of other less first would lie, with this confidence, in other years made of such blocks.

    Both are the same blocks of days under two variants, so their weather and habits cancel. The blocks' differences are
    drawn anew, with replacement, and summed: a bootstrap, seeded, so that the same blocks give the same range. It shows
    how far the difference hangs on a few of the blocks; it holds nothing of years unlike the recorded one, nor of what
    the twin misses of the tank. None for fewer than eight blocks.
    """
    if len(first) != len(other):
        raise ValueError(f"expected as many blocks in both, got {len(first)} and {len(other)}")
    count = len(first)
    if count < FEWEST_BLOCKS:
        return None
    differences = [later - earlier for earlier, later in zip(first, other, strict=True)]
    if not any(differences):
        return 0.0, 0.0
    chance = Random(_SEED)
    sums = sorted(sum(chance.choices(differences, k=count)) for _ in range(_DRAWS))
    tail = (1.0 - confidence) / 2.0
    return float(sums[int(tail * _DRAWS)]), float(sums[-1 - int(tail * _DRAWS)])
