"""What an export limit would have kept from being sold."""


def curtailed_w(export_w: float, diverted_w: float, limit_w: float) -> float:
    """Of the power a heater takes from the sun, what could not have been exported had it been off, W.

    export_w: flowing to the grid beside it; diverted_w: what it takes; limit_w: the most that may flow to the grid. An
    inverter that already holds back would give more, which no meter shows: at the limit all that is diverted counts.
    """
    return min(max(0.0, diverted_w), max(0.0, export_w + diverted_w - limit_w))
