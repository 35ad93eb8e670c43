"""One decision from all guards: what each heater is ordered, why, until when, and what would change it.

A snapshot, the settings and the memory come in; a decision and the next memory go out. Guards do not belong here: they
are in rules/guards.
"""
