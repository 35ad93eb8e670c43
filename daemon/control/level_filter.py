"""What the board finds out about the tank's level from one reading to the next: jumps, and standing still."""

from collections.abc import Sequence

from rules.alarms.level import JUMPS, SWINGS
from rules.model.reading import NEVER_LIVE_S, Reading
from rules.model.settings import Settings
from rules.model.snapshot import Jump
from rules.tank.plausibility import SMALLEST_L, STEP_PCT, moved_too_far

SWING_PCT = 5.0
"""A step that, to and fro, is none of a tank's (common practice, no source)."""


class LevelHistory:
    """The level so far.

    since_s: forward-clock second from which it has shown the same value; taken_wh: what the heaters have taken since
    then (the board adds to it); jumps: the latest, up or down; swings: the latest large steps to and fro. Of both, as
    many are kept as raise an alarm.

    A jump of a level that the tank itself sends is not taken for true until the reading after it agrees. Meanwhile the
    higher of the two counts: a jump up stops heating at once, a jump down cannot start it. A jump that the next reading
    takes back was a glitch. (A level derived from temperatures may jump: the water that is of use ends at 40 °C.)
    """

    def __init__(self, settings: Settings) -> None:
        self.jumps: tuple[Jump, ...] = ()
        self.since_s = NEVER_LIVE_S
        self.taken_wh = 0.0
        self.swings: tuple[Jump, ...] = ()
        self._last: Reading | None = None
        self._value_pct: float | None = None
        self._believed: Reading | None = None
        self._doubted: Reading | None = None
        self.adopt(settings)

    def adopt(self, settings: Settings) -> None:
        """Take changed figures of the tank."""
        self._volume_l = settings.tank.volume_l if settings.tank is not None else SMALLEST_L

    def measured(self, reading: Reading) -> Reading:
        """Add a reading that the tank sends; returns the level that counts now, as old as it."""
        value_pct, seen_s = reading.value, reading.seen_s
        if seen_s == NEVER_LIVE_S:
            return reading
        last, self._last = self._last, reading
        if last is not None and not -SWING_PCT < value_pct - last.value < SWING_PCT:
            self._swung(last, reading)
        believed = self._believed
        if self._doubted is None and believed is not None and -STEP_PCT <= value_pct - believed.value <= STEP_PCT:
            self._believed = reading  # as nearly always
        elif believed is None or not moved_too_far(believed, reading, self._volume_l) or self._agrees(reading):
            self._believed, self._doubted = reading, None
        else:
            reading = self._doubt(believed, reading)
            value_pct = reading.value
        if value_pct != self._value_pct:
            self._value_pct = value_pct
            self.since_s = seen_s
            self.taken_wh = 0.0
        return reading

    @property
    def steady_pct(self) -> float | None:
        """The last level, if it is in no doubt: readings that go on from it by less than SWING_PCT each are neither
        jumps nor swings."""
        last, believed = self._last, self._believed
        if last is None or believed is None or self._doubted is not None or last.value != believed.value:
            return None
        return last.value

    def measured_all(
        self, signal: str, seen_s: Sequence[float], values_pct: Sequence[float], taken_wh: Sequence[float]
    ) -> Reading:
        """Add readings (at least one) that go on as `steady_pct` has it, in order of time; returns the level then.

        taken_wh: what the heaters have taken from each reading before to this one.
        """
        for at_s, value_pct, wh in zip(seen_s, values_pct, taken_wh, strict=True):
            self.taken_wh += wh
            if value_pct != self._value_pct:
                self._value_pct = value_pct
                self.since_s = at_s
                self.taken_wh = 0.0
        self._last = self._believed = reading = Reading(signal, values_pct[-1], seen_s[-1], seen_s[-1])
        return reading

    def derived(self, reading: Reading | None) -> Reading | None:
        """The same for a level derived from temperatures, which counts as it is."""
        if reading is not None and reading.value != self._value_pct and reading.seen_s != NEVER_LIVE_S:
            self._value_pct = reading.value
            self.since_s = reading.seen_s
            self.taken_wh = 0.0
        return reading

    def _swung(self, last: Reading, reading: Reading) -> None:
        """Remember a large step if it goes against the one before."""
        swing = Jump(reading.seen_s, last.value, reading.value, reading.seen_s - last.seen_s)
        against = bool(self.swings) and (self.swings[-1].to_pct > self.swings[-1].from_pct) is not (
            swing.to_pct > swing.from_pct
        )
        self.swings = (*self.swings[1 - SWINGS :], swing) if against else (swing,)

    def _agrees(self, reading: Reading) -> bool:
        """Whether it says the same as the reading in doubt, and is a later one."""
        doubted = self._doubted
        return (
            doubted is not None
            and reading.seen_s > doubted.seen_s
            and not moved_too_far(doubted, reading, self._volume_l)
        )

    def _doubt(self, believed: Reading, reading: Reading) -> Reading:
        """Remember a jump; returns what counts meanwhile."""
        if self._doubted is None or reading.seen_s > self._doubted.seen_s:
            self._doubted = reading
            jump = Jump(reading.seen_s, believed.value, reading.value, reading.seen_s - believed.seen_s)
            self.jumps = (*self.jumps[1 - JUMPS :], jump)
        if reading.value > believed.value:
            return reading
        return Reading(reading.signal, believed.value, reading.at_s, reading.seen_s)
