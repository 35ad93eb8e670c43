"""From readings to Wh by interval: cumulative counters, and power where there is no counter.

Readings of one meter come in, in any order within reason; whole Wh of each interval go out, with what is set aside
and why. No price is known here.
"""
