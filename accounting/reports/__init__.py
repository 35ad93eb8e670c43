"""What the ledger answers: value, heat stock, bills, the used share, and the journal for other programs.

A ledger opened for reading comes in; reports go out, as values, JSON, CSV or Parquet. Nothing is written to the
ledger here.
"""
