"""Every alarm a home can raise: what it means, and what a person does about it. The alarms' reference is made of it.

A new alarm, or a new part that can be at fault, needs its row here: a test compares the rows with the code.
"""

from typing import NamedTuple


class AlarmGuide(NamedTuple):
    """name: as events and alerts carry it, with its changing part in capitals; means, do: sentences for people."""

    name: str
    means: str
    do: str


ALARM_GUIDES = (
    AlarmGuide(
        "level silent",
        "No tank level has been heard for longer than its limit. Nothing is diverted.",
        "See whether the tank's device and the broker are up. `brimful check` shows the age of each signal.",
    ),
    AlarmGuide(
        "surplus silent",
        "No surplus has been heard for longer than its limit. Nothing is diverted.",
        "See whether the meter's device and the broker are up.",
    ),
    AlarmGuide(
        "temperature silent: SIGNAL",
        "A temperature that the home file names is not known. Nothing heats, for it could be at the limit.",
        "Mend the sensor. To take it out of service, put # before each line of its table and restart.",
    ),
    AlarmGuide(
        "temperature impossible: SIGNAL",
        "A temperature reads what water cannot have. Nothing heats.",
        "Mend the sensor or its wiring.",
    ),
    AlarmGuide(
        "SIGNAL silent",
        "The load that goes first (`rules.yield`) is not heard. Surplus is diverted all the same.",
        "See whether that load's device is up.",
    ),
    AlarmGuide(
        "price not known",
        "`rules.worth` cannot compare export with heat, and lets surplus into the tank.",
        "See whether the price source answers. `brimful check` says how far each one reaches.",
    ),
    AlarmGuide(
        "level frozen",
        "The level has not moved although much heat was put in. The heater stays off until it reads another value.",
        "See whether the sensor is stuck, or an old value is repeated on the way.",
    ),
    AlarmGuide(
        "level jumping",
        "The level changed faster than a tank can, three times in an hour. The higher of the two levels counts.",
        "Look for a loose sensor or wire.",
    ),
    AlarmGuide(
        "level from two publishers",
        "Two sources seem to send the level on one topic.",
        "Find the second publisher and end it.",
    ),
    AlarmGuide(
        "surplus frozen",
        "The surplus read the same for two hours although the heaters' power changed. The grid may be heating water.",
        "See whether the meter is stuck, or an old value is repeated on the way.",
    ),
    AlarmGuide(
        "surplus sign",
        "The surplus moved the wrong way in six switchings in a row. Import is taken for surplus.",
        "Reverse the sign of that signal's `scale` in the home file, then restart.",
    ),
    AlarmGuide(
        "withheld but drawing",
        "A heater draws power though it is withheld. With several heaters its name follows.",
        "Look for a stuck switch, or another timer or thermostat that feeds it.",
    ),
    AlarmGuide(
        "permitted but idle",
        "A heater took nothing twice or more though there was surplus and room. With several heaters its name follows.",
        "See whether it is switched off, its cut-out has tripped, its thermostat is set low, or the surplus has the"
        " wrong sign. A tripped cut-out is a matter for an installer.",
    ),
    AlarmGuide(
        "hygiene overdue",
        "The whole tank has not been hot within the days that `[rules.hygiene]` allows.",
        "`brimful why` says what stands in the way. Heat the whole tank by other means until it is mended.",
    ),
    AlarmGuide(
        "order topic: HEATER",
        "Somebody else ordered that heater. The right order follows.",
        "Find what publishes there. Let only brimful write to that topic.",
    ),
    AlarmGuide(
        "clock",
        "This machine's clock cannot be right, or nobody has confirmed a jump yet. The books wait.",
        "See whether the time service runs.",
    ),
    AlarmGuide(
        "job: NAME",
        "A side job fails with an error that nobody foresaw, or one was asked for that does not exist. The heaters are"
        " looked after all the same.",
        "Report it as an error, with the daemon's log.",
    ),
)
"""What the watch raises. They stand on the page and in `check`, as events in the ledger, and go to the alerts."""

PART_GUIDES = (
    AlarmGuide(
        "ledger",
        "The ledger cannot be written: a full disk, a damaged or missing file. Control goes on.",
        "Make room, or see `brimful verify`; failures.md says what waits in memory.",
    ),
    AlarmGuide(
        "backup",
        "The last backup failed, or is too old.",
        "See that its folder is there and has room.",
    ),
    AlarmGuide(
        "home file",
        "The changed home file was refused. The former settings stay.",
        "`brimful check HOME.toml` names the key.",
    ),
    AlarmGuide(
        "plan",
        "Tonight's plan could not be made. The standing one holds until its hours are over.",
        "The sentence says what lacks; see also `brimful plan`.",
    ),
    AlarmGuide(
        "prices of KEY",
        "A source of prices or factors does not answer, or sends what cannot be read. The last good rows stay.",
        "`brimful check` says what was wrong and how far the rows reach.",
    ),
    AlarmGuide(
        "alerts by WAY",
        "Alerts do not get through that way.",
        "See whether the address is right and its server up.",
    ),
    AlarmGuide(
        "link NAME",
        "A connection is down: to the broker, for a heater or the readings, or to a device that is read directly.",
        "`brimful check` gives the reason.",
    ),
)
"""Parts that can be at fault; they reach the alerts under these names."""
