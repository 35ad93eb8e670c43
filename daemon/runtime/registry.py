"""Jobs and commands by their names. A name that is taken, or that nobody has, is an error when the daemon is put
together, not when its time comes."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Generic, Protocol, TypeVar

from apscheduler.triggers.base import BaseTrigger

from rules.model.errors import BrimfulError
from rules.model.reading import Moment


class Named(Protocol):
    """What has a name."""

    @property
    def name(self) -> str: ...


Entry = TypeVar("Entry", bound=Named)
Wish = TypeVar("Wish")


@dataclass(frozen=True, slots=True)
class Job:
    """Something to do at its time, or when `Due(name)` asks for it.

    do: done on the loop's thread, so it must be quick: what takes long goes to a thread of its own. trigger: its times,
    by `daemon.timing.schedule.every` or `daily`; None: only when it is asked for. side: whether heaters and books can
    do without it. An error that a side job raises is an alarm until it succeeds; that of another job ends the daemon,
    with the heaters withheld.
    """

    name: str
    do: Callable[[Moment], object]
    trigger: BaseTrigger | None = None
    side: bool = False


@dataclass(frozen=True, slots=True)
class Command(Generic[Wish]):
    """A question or a wish of the API.

    read: makes the typed wish of a request's JSON object, or raises BrimfulError naming what does not fit; do: what it
    asks for, on the loop's thread; returns the JSON answer. Raises BrimfulError: the asker is given its text.
    """

    name: str
    read: Callable[[Mapping[str, Any]], Wish]
    do: Callable[[Wish, Moment], Any]

    def answer(self, arguments: Mapping[str, Any], now: Moment) -> Any:
        """The answer to a request."""
        return self.do(self.read(arguments), now)


def question(name: str, answer: Callable[[Moment], Any]) -> Command[None]:
    """A command that needs no arguments."""
    return Command(name, lambda arguments: None, lambda wish, now: answer(now))


class Registry(Generic[Entry]):
    """All of a kind by their names, in the order in which they were listed. kind: what one of them is called."""

    def __init__(self, kind: str, entries: Iterable[Entry] = ()) -> None:
        self._kind = kind
        self._by_name: dict[str, Entry] = {}
        for entry in entries:
            self.add(entry)

    def __iter__(self) -> Iterator[Entry]:
        return iter(self._by_name.values())

    def add(self, entry: Entry) -> None:
        """List one more. Raises BrimfulError: its name is taken."""
        if entry.name in self._by_name:
            raise self._refused(entry.name, "a name of its own, got one that is taken")
        self._by_name[entry.name] = entry

    def get(self, name: str) -> Entry | None:
        """The one of that name."""
        return self._by_name.get(name)

    def must_know(self, names: Iterable[str]) -> None:
        """Raises BrimfulError where somebody will ask for a name that is not listed."""
        for name in names:
            if name not in self._by_name:
                raise self._refused(name, f"one of {', '.join(self._by_name)}")

    def _refused(self, name: str, expected: str) -> BrimfulError:
        return BrimfulError("put the daemon together", f"{self._kind} {name!r}", f"expected {expected}")


class Jobs(Registry[Job]):
    """The jobs, in the order in which those of one instant are done."""

    def __init__(self, jobs: Iterable[Job] = ()) -> None:
        super().__init__("job", jobs)

    def triggers(self) -> dict[str, BaseTrigger]:
        """The timetable: the times of the jobs that have any."""
        return {job.name: job.trigger for job in self if job.trigger is not None}


class Commands(Registry[Command[Any]]):
    """The commands."""

    def __init__(self, commands: Iterable[Command[Any]] = ()) -> None:
        super().__init__("command", commands)

    def answer(self, name: str, arguments: Mapping[str, Any], now: Moment) -> Any:
        """The answer to a request. Raises BrimfulError."""
        command = self.get(name)
        if command is None:
            raise self._refused(name, f"one of {', '.join(self._by_name)}")
        return command.answer(arguments, now)
