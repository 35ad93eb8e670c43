"""The types that all rules share: signals, readings, snapshots, settings, memory, orders and errors; and how figures
are written.

Plain values come in and go out. No rule decides anything here, and nothing is imported from another room.
"""
