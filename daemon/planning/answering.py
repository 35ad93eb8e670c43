"""The one answer to "what is tonight's plan", for the command line, the API and the page."""

from typing import Any

from accounting.ledger import Ledger
from daemon.assembly.prepared_home import prepare
from daemon.config.model import Home
from daemon.planning.document import plan_document
from daemon.planning.making import make
from daemon.planning.scoring import past_of


def plan_answer(home: Home, ledger: Ledger, at_s: float) -> dict[str, Any]:
    """The plan's document as of an instant, UTC seconds. It takes a second or two, and only reads.

    Raises BrimfulError for a home without a tank or a file that cannot be read, and LedgerError.
    """
    return plan_document(make(prepare(home), ledger, at_s), home, past_of(ledger, at_s))
