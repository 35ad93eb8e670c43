"""Trials of changed rules: one under way at a time, the last few kept to be looked at."""

import secrets
from collections import OrderedDict
from dataclasses import dataclass

from daemon.config.edit import Change
from daemon.config.model import Home
from daemon.simulation.backtest import Trial

KEPT = 4


@dataclass(frozen=True, slots=True)
class Tried:
    """A change that is tried. entered: the form's fields, by which it is made; warned: cautions that come with it."""

    change: Change
    entered: dict[str, str]
    warned: tuple[str, ...]
    trial: Trial


class Trials:
    """Belongs to the server's thread."""

    def __init__(self) -> None:
        self._kept: OrderedDict[str, Tried] = OrderedDict()

    def begin(self, home: Home, change: Change, entered: dict[str, str], warned: tuple[str, ...], now_s: float) -> str:
        """Try a change on the tape up to a UTC second; returns its name. One still under way is ended for it."""
        for tried in self._kept.values():
            tried.trial.stop()
        while len(self._kept) >= KEPT:
            self._kept.popitem(last=False)
        name = secrets.token_hex(8)
        self._kept[name] = Tried(change, entered, warned, Trial(home, change.content, now_s))
        return name

    def find(self, name: str) -> Tried | None:
        """The trial of that name, if it is still kept."""
        return self._kept.get(name)
