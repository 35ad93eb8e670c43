"""Alarms about an impossible level, frozen or jumping. Its effect on the orders is in rules/tank/plausibility.py."""

from rules.alarms.alarm import Alarm
from rules.guards.fresh import frozen_sentence
from rules.model import wording
from rules.model.formatting import duration, percent
from rules.model.memory import Memory
from rules.model.reading import Moment
from rules.model.settings import Settings
from rules.model.snapshot import Snapshot

JUMPS = 3
"""How many jumps within JUMPS_WITHIN_S are a fault: one is a glitch, or a sensor started again."""
JUMPS_WITHIN_S = 3600.0
SWINGS = 6
"""How many large steps to and fro within SWINGS_WITHIN_S show two sources instead of one tank."""
SWINGS_WITHIN_S = 600.0


def of_level(snapshot: Snapshot, settings: Settings, memory: Memory, now: Moment) -> list[Alarm]:
    """The level's alarms that stand now."""
    found = []
    if memory.frozen is not None:
        sentence = wording.say(
            "{frozen}: the heater stays off until it reads another value; is the sensor stuck, or is an old value"
            " repeated on the way?",
            frozen=frozen_sentence(memory.frozen, settings, now),
        )
        found.append(Alarm("level frozen", sentence, memory.frozen.since_s))
    jumps = snapshot.level_jumps
    if len(jumps) >= JUMPS and now.mono_s < jumps[-JUMPS].at_s + JUMPS_WITHIN_S:
        first, last = jumps[-JUMPS], jumps[-1]
        sentence = wording.say(
            "tank level has jumped {times} times within {time}, last from {low} to {high} within {last_time}, faster"
            " than a tank can change: the higher level counts until the next reading agrees; is the sensor or its"
            " wiring loose?",
            times=JUMPS,
            time=duration(last.at_s - first.at_s),
            low=percent(last.from_pct),
            high=percent(last.to_pct),
            last_time=duration(last.after_s),
        )
        found.append(Alarm("level jumping", sentence, last.at_s))
    swings = snapshot.level_swings
    if len(swings) >= SWINGS and swings[-1].at_s - swings[-SWINGS].at_s <= SWINGS_WITHIN_S:
        first, last = swings[-SWINGS], swings[-1]
        if now.mono_s < last.at_s + SWINGS_WITHIN_S:
            low_pct, high_pct = sorted((last.from_pct, last.to_pct))
            sentence = wording.say(
                "tank level went to and fro {times} times within {time}: two publishers seem to send"
                " signals.tank_level_pct, one about {low}, the other about {high}; see what else publishes on its"
                " topic, or whether the sensor flickers",
                times=SWINGS,
                time=duration(last.at_s - first.at_s),
                low=percent(low_pct),
                high=percent(high_pct),
            )
            found.append(Alarm("level from two publishers", sentence, last.at_s))
    return found
