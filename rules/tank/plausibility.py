"""What a tank's level can and cannot do. It cannot jump, and it cannot stand still while the heaters fill the tank.

Both bounds lie well beyond what a real house does, because a false alarm that stops diversion on a good day is worse
than a late alarm. The tank's own thermostat stays in charge meanwhile.
"""

from rules.model.memory import Frozen
from rules.model.reading import Moment, Reading
from rules.model.settings import Settings
from rules.model.snapshot import Snapshot

STEP_PCT = 25.0
"""How far a level may move at once, %: some sensors have only four steps (common practice, no source)."""
RISE_PCT_PER_S = 100.0 / 600.0
"""A whole tank in ten minutes: 180 L would take 63 kW, twice a large house's boiler (common practice, no source)."""
FALL_L_PER_S = 30.0 / 60.0
"""Two bath taps fully open: 30 L a minute (common practice, no source)."""
SMALLEST_L = 100.0
"""Volume by which a fall is judged where the home does not describe its tank."""
FROZEN_SHARE = 1.5
"""How much the heaters may put in, beyond the standing loss, while the level does not change: a share of a full tank.

A tank heated to 70 °C instead of 60 holds 1.2 times as much. The rest allows for water drawn while the sun heats: the
draws would have to match the heat to within the sensor's step all along, at night too.
"""


def moved_too_far(before: Reading, after: Reading, volume_l: float) -> bool:
    """Whether a level moved further between two readings than a tank's can. volume_l: the tank's volume, L, above 0."""
    moved_pct = after.value - before.value
    seconds = max(after.seen_s - before.seen_s, 0.0)
    if moved_pct >= 0:
        return moved_pct > STEP_PCT + RISE_PCT_PER_S * seconds
    return -moved_pct > STEP_PCT + 100.0 * FALL_L_PER_S / volume_l * seconds


def most_wh(settings: Settings, for_s: float) -> float:
    """What the heaters can have put into the tank in so long without any change of its level, Wh; inf if not known."""
    tank = settings.tank
    if tank is None:
        return float("inf")
    return FROZEN_SHARE * tank.full_wh + tank.loss_w * for_s / 3600.0


def frozen(
    snapshot: Snapshot, settings: Settings, level: Reading | None, past: Frozen | None, now: Moment
) -> Frozen | None:
    """The level that stands still although it cannot, or None. level: if fresh and possible; past: as remembered.

    It counts as frozen until a fresh level has another value.
    """
    if past is not None:
        return past if level is None or level.value == past.level_pct else None
    if level is None or snapshot.level_taken_wh <= most_wh(settings, now.mono_s - snapshot.level_since_s):
        return None
    return Frozen(level.value, snapshot.level_since_s, snapshot.level_taken_wh)
