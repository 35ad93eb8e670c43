"""The documents for people, and what stands in them to be typed, followed or put into a home file."""

import re
import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

REPO = Path(__file__).parents[2]
DOCS = REPO / "deploy" / "docs"
DOCUMENTS = sorted([REPO / "README.md", *DOCS.rglob("*.md")])
WRITTEN = [path for path in DOCUMENTS if path.parent.name != "reference"]
"""Those that no command makes."""

_STARTS = ("brimful ", "deploy/start ")


@dataclass(frozen=True, slots=True)
class ShownCommand:
    """A command line as a document shows it. arguments: what follows `brimful`; whole: a line of its own, not a mention
    in a sentence, which may leave out what must be given."""

    place: str
    arguments: list[str]
    whole: bool


def blocks(path: Path) -> Iterator[list[str]]:
    """The indented blocks of a document, each without its indent."""
    block: list[str] = []
    for line in [*path.read_text(encoding="utf-8").splitlines(), "end"]:
        if line.startswith("    ") or (block and not line):
            block.append(line)
        elif block:
            indent = min(len(each) - len(each.lstrip()) for each in block if each)
            yield [each[indent:] for each in block]
            block = []


def shown_commands() -> list[ShownCommand]:
    """Every `brimful …` and `deploy/start …` of README and deploy/docs, in lines of their own and in sentences."""
    found = []
    for path in WRITTEN:
        name = str(path.relative_to(REPO))
        lines = [(line, True) for block in blocks(path) for line in block]
        prose = " ".join(path.read_text(encoding="utf-8").split())
        lines += [(span, False) for span in re.findall(r"`([^`]+)`", prose)]
        for line, whole in lines:
            if line.startswith(_STARTS):
                words = shlex.split(line.split("  #")[0].split(" > ")[0], comments=True)[1:]
                found.append(ShownCommand(f"{name}: {line}", words, whole))
    return found


def toml_blocks() -> list[tuple[str, str]]:
    """Every block that is a piece of a home file, with where it stands."""
    found = []
    for path in WRITTEN:
        for block in blocks(path):
            first = next((i for i, line in enumerate(block) if line.startswith("[")), len(block))
            piece = [line for line in block[first:] if not line.startswith(_STARTS)]
            if piece:
                found.append((f"{path.relative_to(REPO)}: {piece[0]}", "\n".join(piece)))
    return found
