"""One settled interval of one heater: the row everything else is summed from."""

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Posting:
    """An amount of energy on an account, Wh; negative out of it. An entry's postings sum to zero."""

    account: str
    wh: int


@dataclass(frozen=True, slots=True)
class Entry:
    """What one heater took from the sun in one settlement interval, and what that was worth.

    start_s: UTC second of the interval's start, a multiple of interval_s; heater: whose energy it is.
    diverted_wh: Wh; estimated_wh: how much of it fell into a gap; measured_s: seconds of the interval covered by
    readings; given_up_micro, avoided_micro: millionths of the currency unit; given_up_mg, avoided_mg: mg CO2e;
    export_price_micro, heat_value_micro: the prices per kWh behind them, for reference (None: nothing tells).
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
    reason: str = "settled"
    postings: tuple[Posting, ...] = field(default=())

    @property
    def end_s(self) -> int:
        return self.start_s + self.interval_s

    @property
    def net_micro(self) -> int:
        return self.avoided_micro - self.given_up_micro


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
