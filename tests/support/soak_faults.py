"""What a soaked house's devices may say that is worse than silence: hot then nothing, wild times, a second voice."""

from collections import deque
from datetime import datetime, timedelta
from random import Random
from typing import Any

from daemon.simulation.house.equipment import Diverter

HOT_S = 90.0
"""How long a sensor reads hot before it falls silent."""
TEMPERATURES = {"tank_top_c": "top_c", "tank_mid_c": "mid_c", "tank_bottom_c": "bottom_c"}
FAR = ("1970-01-01T00:00:05Z", "2015-03-01T10:00:00Z", "2085-06-01T00:00:00Z", 5, 1_425_204_000, 3_642_192_000, "P3D")
"""Times of its own that no reading of today has."""
AGES = {"PT0S": 0.0, "PT20S": 20.0, "PT1M30S": 90.0}
EARLIEST_S, FAR_S = 1e9, 86_400.0


def age_of(stamp: object, utc_s: float, dated: bool) -> float | None:
    """How old a payload says it is, s; None: by such a time it says nothing. dated: whether the clock is believed."""
    if isinstance(stamp, str) and stamp.startswith("P"):
        return AGES.get(stamp)
    at_s = float(stamp) if isinstance(stamp, int) else datetime.fromisoformat(str(stamp)).timestamp()
    if at_s < EARLIEST_S or (dated and abs(at_s - utc_s) > FAR_S):
        return None
    return max(0.0, utc_s - at_s)


class SecondCounter:
    """Another register on the counter's topic: one that stands low or high, or one that counts along far above."""

    def __init__(self, dice: Random) -> None:
        self.goes_first = dice.choice((False, True))
        """Whether it speaks before the other each time; two of its readings in a row would be believed."""
        self._kind = dice.choice(("low", "high", "along"))

    def said(self, told: dict[str, Any]) -> dict[str, Any]:
        """Its payload beside the first one's."""
        wh = {"low": 7, "high": 900_000_000, "along": 50_000_000 + told["wh"]}[self._kind]
        at = datetime.fromisoformat(told["t"]) - timedelta(seconds=7)  # of one instant the higher reading would count
        return {"w": 0, "wh": wh, "t": at.isoformat()}


class HeatingDiverter(Diverter):
    """One that can be ordered to heat from the grid, too."""

    heating = False

    def obey(self, payload: bytes, now_s: float) -> bool:
        self.heating = payload == b"now"
        return super().obey(b"yes" if self.heating else payload, now_s)

    def power_w(self, spare_w: float, now_s: float) -> float:
        if self.heating and self.permitted(now_s):
            return self.rated_w
        return super().power_w(spare_w, now_s)


class HeldPower:
    """What a careful reader makes of a power: each reading held until the next, or until stale.

    wh: since the start; unwritten_wh: at most so much of it was lost with the lives that were killed.
    """

    def __init__(self, stale_after_s: float, written_after_s: float) -> None:
        self.wh = self.unwritten_wh = 0.0
        self.silences = 0
        self._stale_s, self._written_s = stale_after_s, written_after_s
        self._last: tuple[float, float] | None = None
        self._past: deque[tuple[float, float]] = deque()

    def hear(self, at_s: float, watts: float) -> None:
        """Take a reading, UTC seconds of the house."""
        self._hold(at_s)
        self._last = (at_s, watts)

    def ends(self, at_s: float, killed: bool) -> None:
        """A life is over: nothing is held any longer, and what a killed one had not written is lost."""
        self._hold(at_s)
        self._last = None
        if killed:
            written_wh = next((wh for past_s, wh in reversed(self._past) if past_s < at_s - self._written_s), 0.0)
            self.unwritten_wh += self.wh - written_wh
        self._past.clear()

    def _hold(self, at_s: float) -> None:
        if self._last is not None:
            last_s, watts = self._last
            self.silences += at_s - last_s > self._stale_s
            self.wh += watts * min(at_s - last_s, self._stale_s) / 3600
        self._past.append((at_s, self.wh))
        if len(self._past) > 200:
            self._past.popleft()
