"""The rules and the books on another clock: recorded readings replayed, a changed rule tried on them.

Readings come in; decisions and a ledger go out. No link to a device is opened here.
"""
