"""Work that the page has begun in a process of its own: one under way at a time, the last few kept to be looked at."""

import secrets
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeVar

from daemon.config.edit import Change
from daemon.config.model import Home
from daemon.simulation.apart import Apart
from daemon.simulation.backtest import Trial

KEPT = 4
Work = TypeVar("Work", bound=Apart)
About = TypeVar("About")


class Begun(Generic[Work, About]):
    """What has been begun, each with what it is about. Belongs to the server's thread."""

    def __init__(self) -> None:
        self._kept: OrderedDict[str, tuple[Work, About]] = OrderedDict()

    def begin(self, start: Callable[[], Work], about: About) -> str:
        """Begin another; returns its name. One still under way is ended for it."""
        for work, _ in self._kept.values():
            work.stop()
        while len(self._kept) >= KEPT:
            self._kept.popitem(last=False)
        name = secrets.token_hex(8)
        self._kept[name] = start(), about
        return name

    def find(self, name: str) -> tuple[Work, About] | None:
        """The one of that name with what it is about, if it is still kept."""
        return self._kept.get(name)


@dataclass(frozen=True, slots=True)
class Tried:
    """A change that is tried. entered: the form's fields, by which it is made; warned: cautions that come with it."""

    change: Change
    entered: dict[str, str]
    warned: tuple[str, ...]
    trial: Trial


class Trials:
    """Trials of changed rules."""

    def __init__(self) -> None:
        self._begun: Begun[Trial, tuple[Change, dict[str, str], tuple[str, ...]]] = Begun()

    def begin(self, home: Home, change: Change, entered: dict[str, str], warned: tuple[str, ...], now_s: float) -> str:
        """Try a change on the tape up to a UTC second; returns its name. One still under way is ended for it."""
        return self._begun.begin(lambda: Trial(home, change.content, now_s), (change, entered, warned))

    def find(self, name: str) -> Tried | None:
        """The trial of that name, if it is still kept."""
        found = self._begun.find(name)
        return None if found is None else Tried(*found[1], found[0])
