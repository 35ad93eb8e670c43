"""Going on from where the last run ended. What cannot be read of it is begun anew, and said.

A daemon that refused to start for it would refuse again at each restart, and look after no heater at all.
"""

from collections.abc import Callable
from typing import TypeVar

from accounting.books.booking import Books
from accounting.ledger import Ledger, StateMangled
from accounting.valuation.historical_shares import read_past
from daemon.assembly.prepared_home import PreparedHome
from daemon.recording import last_heard
from daemon.recording.memory_codec import read
from daemon.recording.price_note import PRICES
from daemon.recording.unit_of_work import MEMORY, METER
from rules.model.memory import Memory
from rules.model.reading import Moment
from rules.model.settings import Settings
from rules.model.wording import say

T = TypeVar("T")
_UNFIT = (StateMangled, ArithmeticError, AttributeError, LookupError, TypeError, ValueError)
"""A row that is mangled, or whole and of a shape that this program does not know."""


def resumed(made: PreparedHome, ledger: Ledger, now: Moment) -> tuple[Books, Memory, list[str]]:
    """Books and memory as they were left, and a sentence for each that could not be read. Raises LedgerError."""
    books, lost = _tried(
        lambda: Books(made.books, ledger.state(METER)),
        lambda: _taken_up(Books(made.books), ledger),
        say(
            "where the meters stood cannot be read: they begin anew; what was taken since the last write is not counted"
        ),
    )
    memory, forgotten = remembered(ledger, made.rules, now)
    books.go_by(read_past(made.books, ledger))
    return books, memory, lost + forgotten


def remembered(ledger: Ledger, rules: Settings, now: Moment) -> tuple[Memory, list[str]]:
    """What the rules remember, and a sentence where it could not be read. Raises LedgerError."""
    return _tried(
        lambda: read(ledger.state(MEMORY), rules, now),
        Memory,
        say("what the rules remember cannot be read: they begin anew, and a standing override has ended"),
    )


def kept_note(ledger: Ledger) -> object:
    """By which prices the books were valued; None where nothing readable tells. Raises LedgerError."""
    try:
        return ledger.state(PRICES)
    except StateMangled:
        return None


def last_heard_live(ledger: Ledger) -> last_heard.Heard:
    """When the tank's signals were last heard live; nothing where that cannot be read."""
    try:
        return last_heard.read(ledger.state(last_heard.LAST_HEARD))
    except _UNFIT:
        return {}


def _tried(make: Callable[[], T], anew: Callable[[], T], sentence: str) -> tuple[T, list[str]]:
    try:
        return make(), []
    except _UNFIT as unfit:
        return anew(), [f"{sentence} ({unfit or type(unfit).__name__})"]


def _taken_up(books: Books, ledger: Ledger) -> Books:
    """New books with what the ledger holds of intervals that are not settled yet."""
    books.take_up(ledger.open_entries())
    return books
