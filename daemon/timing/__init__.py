"""Time inside the daemon: its clocks, its one queue of events, its schedule, and whether the wall clock is to be
believed.

Callbacks and jobs put events in; the loop takes them out. No event is acted on here.
"""
