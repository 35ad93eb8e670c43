"""Everything that is written: the unit of work, recovery after a stop, the copy for a database, backups,
restatements, notes.

Entries and decisions come in from the loop; rows of the ledger go out. Only the loop's thread writes.
"""
