"""The ledger: one SQLite file, one writer, any number of readers."""

from accounting.ledger.errors import LedgerError, StateMangled
from accounting.ledger.reading import Ledger
from accounting.ledger.records import Batch, DecisionRow, EventRow, Facts, OutboxItem, OutboxKey, Refused, TapeChunk
from accounting.ledger.writing import LedgerWriter

__all__ = [
    "Batch",
    "DecisionRow",
    "EventRow",
    "Facts",
    "Ledger",
    "LedgerError",
    "LedgerWriter",
    "OutboxItem",
    "OutboxKey",
    "Refused",
    "StateMangled",
    "TapeChunk",
]
