"""Writes the order of a fair comparison into the ledger before it begins, so that nobody can choose it afterwards."""

from zoneinfo import ZoneInfo

from accounting.reports.written_comparison import news
from daemon.config.build import comparison_blocks
from daemon.config.model import Home
from daemon.recording.unit_of_work import Keeper
from rules.model.reading import Moment


def write_comparison(keeper: Keeper, home: Home, now: Moment) -> None:
    """Note the home file's order of blocks with the next write, if the ledger has another. Raises LedgerError."""
    settle_days, zone = home.rules.alternate.settle_days, ZoneInfo(home.home.timezone)
    event = news(keeper.owners_notes(), comparison_blocks(home), settle_days, zone, now.utc_s)
    if event is not None:
        keeper.events([event])
