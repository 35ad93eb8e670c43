"""What the heater may do: signals, snapshot, guards, decide and explain. Pure functions on plain data."""

__project__ = "brimful"
