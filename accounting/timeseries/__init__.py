"""A copy of the settled intervals for a time-series database, which can be rebuilt from the ledger at any time."""

from accounting.timeseries.failure import SendFailed
from accounting.timeseries.points import Point, point
from accounting.timeseries.writers import Target, Writer, open_writer

__all__ = ["Point", "SendFailed", "Target", "Writer", "open_writer", "point"]
