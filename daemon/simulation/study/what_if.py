"""A study for the page: a few variants over the last year on the home's tape, in a process of its own.

`WhatIf` starts it, `python -m daemon.simulation.study.what_if` is it; time and memory are bounded.
"""

import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from daemon.config.load import load
from daemon.config.model import Home
from daemon.documents.study_document import Span, study_answer
from daemon.simulation.apart import Apart, Teller, work
from daemon.simulation.study.comparison import Setting, home_of, settings_of, study
from daemon.simulation.study.studied_home import OP
from rules.model.errors import BrimfulError
from rules.model.wording import say

LAST_S = 366 * 86_400
"""How much of the tape's end is studied."""
MOST_KEYS, MOST_VARIANTS = 2, 9
LONGEST_S = 900.0
MOST_BYTES = 1024 * 2**20
"""Address space. A year of minutes takes some 400 MiB of it."""


class WhatIf(Apart):
    """One under way. settings: the variants, the home as it is first. `found` is what `brimful study --json` prints."""

    def __init__(self, home: Home, settings: Sequence[Setting], longest_s: float = LONGEST_S) -> None:
        order = {
            "file": str(home.file.resolve()),
            "ledger": str(home.path_of(home.ledger.path).resolve()),
            "settings": [dict(setting) for setting in settings],
        }
        super().__init__(__name__, order, longest_s)


def asked(home: Home, wanted: Mapping[str, str]) -> list[Setting]:
    """The variants that keys and their values ask for, checked on the home. wanted: values by key, apart by commas.

    Raises BrimfulError: a key or value that does not fit, too many of them.
    """
    if not 1 <= len(wanted) <= MOST_KEYS:
        raise BrimfulError(OP, "what if", say("expected 1 to {most} keys, got {got}", most=MOST_KEYS, got=len(wanted)))
    settings = settings_of(f"{key}={values}" for key, values in wanted.items())
    if len(settings) > MOST_VARIANTS:
        cause = say(
            "expected at most {most} variants beside the home as it is, got {got}",
            most=MOST_VARIANTS - 1,
            got=len(settings) - 1,
        )
        raise BrimfulError(OP, "what if", cause, say("fewer values; brimful study takes more"))
    for setting in settings:
        home_of(home.file, setting)
    return settings


def _studied(order: Mapping[str, Any], teller: Teller) -> dict[str, Any]:
    file, ledger = Path(order["file"]), Path(order["ledger"])

    def progress(what: str, done: float) -> None:
        teller(0.05 if what == "reading" else 0.1 + 0.9 * done)

    settings = order["settings"]
    home = load(file).home
    found = study(file, ledger, settings, last_s=LAST_S, progress=progress)
    recording = found.recording
    span = Span(recording.from_s, recording.to_s, recording.step_s, recording.left_out_s, found.block)
    return study_answer(home.name, home.currency, span, settings, found.figures, found.notes, found.estimate_kwh)


if __name__ == "__main__":
    work(sys.stdin, sys.stdout, _studied, MOST_BYTES)
