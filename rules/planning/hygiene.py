"""When the whole tank was last hot enough for long enough, and when it has to be again. Counted from measured heat.

Source: AS/NZS 3498 clause 7.1(j) asks that at least 90 % of the volume be at 60 °C for 32 minutes within 7 days (read
in a secondary copy); water should be stored at 60 °C or more (HSE). This replaces no device, and no duty prescribed
locally.
"""

from dataclasses import dataclass, replace

from rules.model.errors import BrimfulError

DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Hygiene:
    """at_c: temperature of the whole tank, 55–70 °C; hold_s: for how long; every_s: how often.

    gap_s: readings further apart than this prove nothing of the time between them. Raises BrimfulError for a programme
    that cannot be.
    """

    at_c: float = 60.0
    hold_s: float = 32 * 60.0
    every_s: float = 7 * DAY_S
    gap_s: float = 15 * 60.0

    def __post_init__(self) -> None:
        if not 55.0 <= self.at_c <= 70.0:
            raise BrimfulError(
                "plan hygiene", "at_c", f"expected 55–70 °C, got {self.at_c}", "germs survive below, taps scald above"
            )
        for name in ("hold_s", "every_s", "gap_s"):
            if not 0.0 < getattr(self, name) < float("inf"):
                raise BrimfulError("plan hygiene", name, f"expected above 0, got {getattr(self, name)}")


@dataclass(frozen=True, slots=True)
class HeatRecord:
    """What the sensors have shown so far. Instants in seconds of one clock.

    hot_since_s: since when the whole tank has been hot without a break; None: it is not. seen_s: the latest reading.
    last_hot_s: the latest instant at which the hold was complete; None: never yet.
    """

    hot_since_s: float | None = None
    seen_s: float | None = None
    last_hot_s: float | None = None


def noted(record: HeatRecord, hygiene: Hygiene, at_s: float, temps_c: tuple[float | None, ...]) -> HeatRecord:
    """The record after a reading of the tank's sensors from bottom to top, °C.

    The coldest of them stands for the tank. A sensor without a reading, or no sensor, makes the reading no proof. A
    reading that is not newer than the last is passed over.
    """
    if record.seen_s is not None and at_s <= record.seen_s:
        return record
    known = [temp for temp in temps_c if temp is not None]
    if len(known) < len(temps_c) or not known or not min(known) >= hygiene.at_c:
        return replace(record, hot_since_s=None, seen_s=at_s)
    unbroken = record.hot_since_s is not None and record.seen_s is not None and at_s - record.seen_s <= hygiene.gap_s
    hot_since_s = record.hot_since_s if unbroken else at_s
    assert hot_since_s is not None
    done = at_s - hot_since_s >= hygiene.hold_s
    return HeatRecord(hot_since_s, at_s, at_s if done else record.last_hot_s)


def days_since(record: HeatRecord, now_s: float) -> float | None:
    """Days since the whole tank was last held hot; None: not known to have been."""
    return None if record.last_hot_s is None else max(now_s - record.last_hot_s, 0.0) / DAY_S


def due_at_s(record: HeatRecord, hygiene: Hygiene) -> float | None:
    """By when the whole tank has to be held hot again; None: at once, for it is not known ever to have been."""
    return None if record.last_hot_s is None else record.last_hot_s + hygiene.every_s


def overdue(record: HeatRecord, hygiene: Hygiene, now_s: float) -> bool:
    """Whether the time is up."""
    due_s = due_at_s(record, hygiene)
    return due_s is None or now_s > due_s
