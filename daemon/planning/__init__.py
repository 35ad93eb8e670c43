"""Tonight's plan of a home: its own past as scenarios, its tank, its prices and a forecast, handed to `rules.planning`.

A home file and a ledger that is only read come in; a plan with its figures and sentences goes out. The planner is the
one that the night game plays. Nothing here orders anything, and nothing here may hold the control loop.
"""
