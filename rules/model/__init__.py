"""The words that all rules share: signals, readings, snapshots, settings, memory, orders, errors and how figures are
written.

Plain values come in and go out. No rule decides anything here, and nothing of another room is imported.
"""
