"""Heating on purpose, for the property tests of the rules: absences, hygiene, when to heat for both, and plans."""

from rules.model.memory import Planned, PlannedRun
from rules.model.settings import Away, Hygiene
from rules.model.snapshot import HeatingTimes, Stretch
from tests.support.rules_case import START_UTC_S

AWAYS = [
    Away(),
    Away(((START_UTC_S + 60, START_UTC_S + 110),)),
    Away(((START_UTC_S + 10, START_UTC_S + 900),), "main"),
    Away(((START_UTC_S + 10, START_UTC_S + 900),), "upper"),
]
HYGIENES = [
    None,
    Hygiene("main", 60.0, 12.0),
    Hygiene("upper", 60.0, 12.0),
    Hygiene("main", 60.0, 12.0, measured=False, thermostat_on_c=61.0),
]
HEATING_TIMES = [
    HeatingTimes(Stretch(START_UTC_S + 20, START_UTC_S + 800), None, START_UTC_S + 60),
    HeatingTimes(None, Stretch(START_UTC_S + 30, START_UTC_S + 700)),
]
PLANS = (
    None,
    *(
        Planned(heater, (PlannedRun(START_UTC_S + 20, START_UTC_S + 90, level_pct),))
        for heater, level_pct in (("main", 60.0), ("main", 100.0), ("upper", 92.0), ("lower", 100.0))
    ),
)
"""No plan, and plans for any of a house's heaters."""
