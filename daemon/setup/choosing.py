"""Signals put elsewhere by their owner's choice: a home file beside the one there is, its comments kept. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daemon.config.load import parse
from daemon.config.model import Home
from daemon.inputs.decode import Source
from daemon.setup.members import members
from daemon.setup.survey import Topic
from rules.model.errors import BrimfulError

_MOST_PLACES = 300
_PLACED = ("topic", "pointer", "minus_pointer", "time_pointer", "scale")
"""Keys of a signal's table that say where it is heard; the others stay as they are."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a number was heard: topic and pointer, as one line for people to choose; time_pointer: its own time's."""

    topic: str
    pointer: str
    time_pointer: str | None

    @property
    def said(self) -> str:
        """The line: a pointer begins with a slash after a space, which no topic's part does by itself."""
        return f"{self.topic} {self.pointer}" if self.pointer else self.topic


def places(heard: Mapping[str, Topic]) -> list[Place]:
    """Everywhere that a number may be, by name; the first ones where there are many."""
    found = [
        Place(topic, part.pointer, part.time_pointer)
        for topic, content in sorted(heard.items())
        for part in members(content.payload)
    ]
    return found[:_MOST_PLACES]


def source_at(signal: str, said: str, known: Sequence[Place], scale: float) -> Source:
    """The source that a chosen line stands for. Raises BrimfulError for a line that was not heard."""
    for place in known:
        if place.said == said:
            return Source(signal, place.topic, place.pointer, scale, time_pointer=place.time_pointer)
    raise BrimfulError("choose a signal", f"signals.{signal}", f"expected a place that was heard, got {said[:80]!r}")


def with_signals(content: bytes, path: Path, chosen: Mapping[str, Source | None]) -> tuple[str, Home]:
    """The home file with signals where they were chosen to be, and the home it makes.

    content: the file as it is; chosen: by signal; None takes it out. Raises ConfigError where the home would not load.
    """
    import tomlkit  # heavy, and seldom wanted

    document = tomlkit.parse(content.decode("utf-8"))
    signals: Any = document.setdefault("signals", tomlkit.table(is_super_table=True))
    for name, source in chosen.items():
        if source is None:
            signals.pop(name, None)
            continue
        table = signals.get(name)
        if table is None:
            table = signals[name] = tomlkit.table()
        for key, value in _keys(source).items():
            if value is None:
                table.pop(key, None)
            else:
                table[key] = value
    text = tomlkit.dumps(document)
    return text, parse(text.encode(), path)


def _keys(source: Source) -> dict[str, Any]:
    """The keys that say where it is, None for those that are to be left out."""
    scale = int(source.scale) if source.scale == int(source.scale) else source.scale
    values = (source.topic, source.pointer or None, source.minus_pointer, source.time_pointer, scale)
    return dict(zip(_PLACED, values, strict=True)) | ({"scale": None} if source.scale == 1 else {})


def free_name(file: Path) -> Path:
    """A name beside a home file that is not taken: home.new.toml, home.new-2.toml."""
    number = 1
    while True:
        part = "new" if number == 1 else f"new-{number}"
        beside = file.with_name(f"{file.stem}.{part}{file.suffix or '.toml'}")
        if not beside.exists():
            return beside
        number += 1
