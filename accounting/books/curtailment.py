"""How much an export limit would have kept from being sold."""


def curtailed(export: int, diverted: int, limit: int) -> int:
    """Of what a heater takes from the sun, what could not have been exported had it been off.

    export: what flows to the grid beside it; diverted: what it takes; limit: the most that may flow to the grid; all
    three as energy of one time, or as power, in one unit. An inverter that already holds back would give more, which no
    meter shows: at the limit all that is diverted counts.
    """
    return min(max(0, diverted), max(0, export + diverted - limit))
