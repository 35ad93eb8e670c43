"""What a tank's level can do, by physics, and what it cannot: jump, or stand still while the heaters fill it.

Both bounds lie well beyond what a house does, since a false alarm that stops diversion on a good day is worse than a
late one. The tank's own thermostat stays in charge meanwhile.
"""

from rules.model.memory import Frozen
from rules.model.reading import Moment, Reading
from rules.model.settings import Settings
from rules.model.snapshot import Snapshot

STEP_PCT = 25.0
"""What a level may move at once: some sensors tell no more than four steps (common practice, no source)."""
RISE_PCT_PER_S = 100.0 / 600.0
"""A whole tank in ten minutes: 180 L would take 63 kW, twice a large house's boiler (common practice, no source)."""
FALL_L_PER_S = 30.0 / 60.0
"""Two bath taps fully open: 30 L a minute (common practice, no source)."""
SMALLEST_L = 100.0
"""Volume by which a fall is judged where the home does not describe its tank."""
FROZEN_SHARE = 1.5
"""Of a whole tank's heat, what the heaters may put in, beyond its standing loss, without any change of the level.

A tank heated to 70 °C rather than 60 holds 1.2 times as much. The rest is for water drawn while the sun heats: it
would have to match the heat to within the sensor's own step all along, night and all.
"""


def moved_too_far(before: Reading, after: Reading, volume_l: float) -> bool:
    """Whether a level went further than water can in the time between two readings. volume_l: the tank's, above 0."""
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
    """The level that stands still though it cannot, or None. level: where it is fresh and sane; past: as remembered.

    It stands until a fresh level tells another value.
    """
    if past is not None:
        return past if level is None or level.value == past.level_pct else None
    if level is None or snapshot.level_taken_wh <= most_wh(settings, now.mono_s - snapshot.level_since_s):
        return None
    return Frozen(level.value, snapshot.level_since_s, snapshot.level_taken_wh)
