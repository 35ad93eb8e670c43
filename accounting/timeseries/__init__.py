"""A copy of the settled intervals for a time-series database, which can be rebuilt from the ledger at any time."""

from accounting.timeseries.failure import SendFailed
from accounting.timeseries.points import Point, point
from accounting.timeseries.readers import Held, Reader, ReadFailed, open_reader
from accounting.timeseries.target import Kind, Target
from accounting.timeseries.writers import Writer, open_writer

__all__ = [
    "Held",
    "Kind",
    "Point",
    "ReadFailed",
    "Reader",
    "SendFailed",
    "Target",
    "Writer",
    "open_reader",
    "open_writer",
    "point",
]
