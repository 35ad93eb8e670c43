"""Whether the home file, or a file that it names, has been written since."""

from pathlib import Path

from daemon.config.model import Home


def stamps_of(home: Home) -> dict[Path, tuple[int, int] | None]:
    """What changes when the home file, or a file it names, is written."""
    return {path: stamp(path) for path in (home.file, *home.files_beside)}


def stamp(path: Path) -> tuple[int, int] | None:
    """What changes when a file is written."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size
