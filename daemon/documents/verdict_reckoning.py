"""Reckons the verdict. It needs numpy, so the daemon has it done in a process of its own (`advised_rules`)."""

from collections.abc import Callable, Sequence
from datetime import date
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from accounting.ledger import Ledger
from daemon.config.model import Home
from daemon.documents.history_table import history_path
from daemon.documents.off_spans import OffSpan, off_answer
from daemon.documents.verdict_document import verdict_answer
from rules.model.errors import BrimfulError
from rules.model.wording import say

OP = "work out the verdict"
GET_IT = "deploy/start installs them; in an environment of your own: pip install 'brimful[verdict]'"
MOST_ADVICE = 3
Advised = Callable[[Home, Ledger], tuple[list[dict[str, Any]], list[str]]]


def need_libraries() -> None:
    """Raises BrimfulError where the libraries are missing, and says how to get them."""
    lacking = [name for name in ("numpy", "scipy") if find_spec(name) is None]
    if lacking:
        cause = f"expected numpy and scipy, found no {' and no '.join(lacking)}"
        raise BrimfulError(OP, "brimful verdict", cause, GET_IT)


def reckon(
    home: Home | None,
    history: Path | None,
    installed: date | None,
    ledger: Path | None,
    within: float | None = None,
    off: Sequence[OffSpan] = (),
    advised: Advised | None = None,
) -> dict[str, Any]:
    """The verdict as JSON.

    history, ledger: None for those that the home file names, where they are there: a history that cannot be compared
    yet is then left out, with the reason; within: how narrow the fair comparison's range is wished for, money a day to
    either side; off: days to look at as if without diversion; advised: further advice, about the home's rules.
    """
    from accounting.verdict.judgement import judge
    from daemon.documents.verdict_evidence import gather

    asked = history is not None
    if home is not None:
        if history is None and (home.verdict.history is not None or _holds_rows(history_path(home))):
            history = history_path(home)
        if ledger is None:
            own = home.path_of(home.ledger.path)
            ledger = own if own.exists() else None
    found = judge(gather(home, ledger, history, installed, asked=asked))
    name, currency = (home.home.name, home.home.currency) if home is not None else (None, None)
    document = verdict_answer(found, name, currency, within)
    if document["against_export"] is not None and home is not None and ledger is not None:
        with Ledger.open_reader(ledger) as books, books.still():
            document["against_export"]["off"] = off_answer(home, books, off)
            if advised is not None:
                _add_advice(document, *advised(home, books))
    return document


def _add_advice(document: dict[str, Any], advice: list[dict[str, Any]], notes: list[str]) -> None:
    """The advice on `worth` counts losses that the advice not to divert in some months counts as well; where both are
    given, that is said."""
    own = document["advice"] or ()
    if any(each["about"] == "diverting" for each in own):
        advice = [
            {
                **each,
                "say": say(
                    "{advice} It does so in the months named here as well: their worths do not add up.",
                    advice=each["say"],
                ),
            }
            if each["about"] == "worth"
            else each
            for each in advice
        ]
    both = [*own, *advice]
    document["advice"] = sorted(both, key=lambda each: -each["per_year"])[:MOST_ADVICE]
    document["notes"] += notes


def _holds_rows(path: Path) -> bool:
    """Whether a history that the home file does not name is there: one entered on the page, not yet without a row."""
    return path.exists() and len(path.read_bytes().split(b"\n", 2)) > 2
