"""Whether a value that a signal may have looks right for a house, and what to look at where it does not. Pure.

The bounds are common practice, no source: they raise a question, and refuse nothing.
"""

from daemon.inputs.decode import base_signal

_MOST_W = 30_000.0
_LEAST_KW = 20.0
_HOT_C, _COLD_C = 90.0, 2.0
_MOST_WH = 1e9
_DEAR = 3.0


def odd(signal: str, value: float) -> str:
    """What is odd about a value, in the signal's unit, and what to do; "" where nothing is."""
    known, key = base_signal(signal), f"signals.{signal}.scale"
    size, whole = abs(value), value == int(value)
    if known.unit == "W" and size > _MOST_W:
        return f"more than a house's connection carries: is it sent in W already? see {key}"
    if known.unit == "W" and not whole and 0 < size < _LEAST_KW:
        return f"very little for a power: is it sent in kW? then {key} = 1000"
    if known.unit == "%" and not whole and 0 < size <= 1:
        return f"very little: is it a share of 1? then {key} = 100"
    if known.unit == "°C" and value > _HOT_C:
        return f"hotter than a tank should ever be: is it in °F? If not, have thermostat and cut-out looked at ({key})"
    if known.unit == "°C" and value < _COLD_C:
        return "colder than water in a house: is the sensor connected?"
    if known.unit == "Wh" and known.kind == "counter" and size > _MOST_WH:
        return f"more than a house takes in a lifetime: is it sent in Wh already? see {key}"
    if known.unit == "Wh" and known.kind == "counter" and not whole and size < 100_000:
        return f"a counter of Wh with decimals: is it sent in kWh? then {key} = 1000"
    if known.unit == "per kWh" and size > _DEAR:
        return f"dear: is it sent in hundredths? then {key} = 0.01"
    return ""
