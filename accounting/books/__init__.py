"""The books of the home: each reading metered, attributed, valued and entered; settled intervals valued anew.

Readings and snapshots come in; finished entries go out. Writing them down is for the daemon.
"""
