"""Whether the home file, or a file that it names, has been written since."""

from pathlib import Path

from daemon.config.model import Home

Stamp = tuple[int, int] | None
"""When a file was written, ns, and its size; None for no file."""


def stamps_of(home: Home) -> dict[Path, Stamp]:
    """What changes when the home file, or a file it names, is written."""
    return {path: stamp(path) for path in (home.file, *home.files_beside)}


def stamp(path: Path) -> Stamp:
    """What changes when a file is written."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size
