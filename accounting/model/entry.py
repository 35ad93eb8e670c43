"""One settled interval of one heater: the row everything else is summed from."""

from collections.abc import Iterable
from dataclasses import dataclass

from rules.model.record import record

UNKNOWN = "; unknown: "
"""In an entry's reason, before the list of prices and factors that should have been known and were not."""


def reason_text(why: str, unknown: Iterable[str] = ()) -> str:
    """An entry's `reason`: why this version is written, and which prices and factors were unknown."""
    lacking = ", ".join(unknown)
    return f"{why}{UNKNOWN}{lacking}" if lacking else why


@record
class Posting:
    """An amount of energy on an account, Wh, with what it cost: negative out of it. An entry's postings sum to zero.

    account: `sun`, `battery_forgone` (sun that would have charged the house battery), `grid:BAND` (`grid` where no band
    is named), `battery`, `boiler`, `tank`, `drawn`, `lost` or `unexplained`; micro: millionths of the currency unit;
    mg: mg CO2e. Cost moves with the energy into the tank; what leaves it takes its share of the stock's cost when the
    stock is worked out, and has none here.
    """

    account: str
    wh: int
    micro: int = 0
    mg: int = 0


class Netted:
    """What diverting is worth against just exporting: avoided less given up less bought."""

    __slots__ = ()

    given_up_micro: int
    avoided_micro: int
    bought_micro: int
    given_up_mg: int
    avoided_mg: int
    bought_mg: int

    @property
    def net_micro(self) -> int:
        """Millionths of the currency unit."""
        return self.avoided_micro - self.given_up_micro - self.bought_micro

    @property
    def net_mg(self) -> int:
        """mg CO2e."""
        return self.avoided_mg - self.given_up_mg - self.bought_mg


@record
class Entry(Netted):
    """What one heater took in one settlement interval, and what that was worth.

    start_s: UTC second of the interval's start, a multiple of interval_s; heater: whose energy it is.
    diverted_wh: Wh by its meter; estimated_wh: how much of it fell into a gap; measured_s: seconds of the interval
    covered by readings; given_up_micro, avoided_micro: millionths of the currency unit; given_up_mg, avoided_mg: mg
    CO2e; export_price_micro, heat_value_micro: the prices per kWh behind them, for reference (None: not known).
    grid_wh, battery_wh: of diverted_wh, what the sun did not give; bought_micro, bought_mg: what that cost;
    curtailed_wh: of diverted_wh, sun that an export limit would have kept from being sold. *_marginal_mg: the same
    carbon by marginal factors (None: the home file does not give factors of both kinds).
    forgone_wh: of diverted_wh, sun that would have charged the house battery; forgone_micro, forgone_mg: of given_up_*,
    what the battery would have displaced with it; unheard_wh: of the sun's part, what was taken while the battery was
    not heard; battery_hours: the local hours by whose import prices the battery's energy is priced, with their weights
    in percent, as in "18:60 19:40" (None: the evening's, or there is none of it).
    unpriced_wh: of diverted_wh, what lacks a price on one side: it is in no amount of money (None: booked before that
    was kept, see `one_sided`). used: the share of the heat that counted as displacing something, as an exact fraction's
    text (None: booked before it was kept). displaced: the shares of what it displaced, as "2/5 gas boiler, 3/5 night
    electricity" (None: no energy, or booked before it was kept).
    reason: why this version was written ("settled", "late reading", …).
    """

    start_s: int
    interval_s: int
    heater: str
    diverted_wh: int = 0
    estimated_wh: int = 0
    measured_s: int = 0
    given_up_micro: int = 0
    avoided_micro: int = 0
    given_up_mg: int = 0
    avoided_mg: int = 0
    export_price_micro: int | None = None
    import_price_micro: int | None = None
    heat_value_micro: int | None = None
    grid_wh: int = 0
    battery_wh: int = 0
    curtailed_wh: int = 0
    bought_micro: int = 0
    bought_mg: int = 0
    given_up_marginal_mg: int | None = None
    avoided_marginal_mg: int | None = None
    bought_marginal_mg: int | None = None
    forgone_wh: int = 0
    forgone_micro: int = 0
    forgone_mg: int = 0
    unheard_wh: int = 0
    battery_hours: str | None = None
    unpriced_wh: int | None = None
    displaced: str | None = None
    used: str | None = None
    reason: str = "settled"
    postings: tuple[Posting, ...] = ()

    @property
    def end_s(self) -> int:
        return self.start_s + self.interval_s

    @property
    def why(self) -> str:
        """The reason without what was unknown."""
        return self.reason.partition(UNKNOWN)[0]

    @property
    def unknown(self) -> frozenset[str]:
        """The prices and factors of its interval that should have been known and were not."""
        _, mark, lacking = self.reason.rpartition(UNKNOWN)
        return frozenset(lacking.split(", ")) if mark else frozenset()

    @property
    def sun_wh(self) -> int:
        return self.diverted_wh - self.grid_wh - self.battery_wh

    @property
    def sellable_wh(self) -> int:
        """Sun that would have been sold, where both sides have a price, Wh; 0 where one has none. Not what would have
        charged the house battery, nor what an export limit would have curtailed."""
        if self.export_price_micro is None or self.heat_value_micro is None:
            return 0
        return self.sun_wh - self.forgone_wh - self.curtailed_wh

    @property
    def one_sided(self) -> bool:
        """Whether it was booked with money on one side only, as in the first ledgers. Reports leave its money out."""
        return self.unpriced_wh is None and (self.export_price_micro is None or self.heat_value_micro is None)


@record
class TankEntry:
    """Where the tank's heat came from and went in one settlement interval, heat above the cold water's, Wh.

    closing_wh: the stock at the interval's end; measured_s: seconds between level readings near enough to each other;
    metered: whether a water meter measured the draw (else it is inferred from level, inputs and loss). postings: the
    sources out (with their cost), the stock's change on `tank`, `drawn`, `lost` and `unexplained`; they sum to zero.
    """

    start_s: int
    interval_s: int
    measured_s: int
    closing_wh: int
    metered: bool = False
    reason: str = "settled"
    postings: tuple[Posting, ...] = ()

    @property
    def end_s(self) -> int:
        return self.start_s + self.interval_s

    @property
    def opening_wh(self) -> int:
        return self.closing_wh - self.wh("tank")

    def wh(self, account: str) -> int:
        """What came onto the account, Wh; negative: went out of it."""
        return sum(posting.wh for posting in self.postings if posting.account == account)


@dataclass(frozen=True, slots=True)
class Quarantined:
    """Energy a counter showed that no heater can have taken; kept by name, in no interval.

    from_s, to_s: UTC seconds of the two readings; wh: the step; why: the sentence.
    """

    heater: str
    from_s: float
    to_s: float
    wh: int
    why: str
