"""A file put in the place of another in one step: whoever reads it meets the old one or the new one, whole."""

import contextlib
import os
import tempfile
from collections.abc import Callable
from pathlib import Path

from rules.model.errors import BrimfulError

_NEW_MODE = 0o644


def replace_file(op: str, path: Path, before: bytes | None, content: bytes) -> None:
    """Put the content in the file's place, with its mode and owner.

    before: what the file was when it was read, None where there was none. Raises BrimfulError, which names op, where it
    is another by now or cannot be written.
    """
    target = path.resolve()

    def unchanged() -> None:
        if (target.read_bytes() if target.exists() else None) != before:
            raise BrimfulError(
                op, path.name, "expected the file as it was read, got another", "somebody edits it; try again"
            )

    try:
        like = None if before is None else target.stat()
        mode = _NEW_MODE if like is None else like.st_mode & 0o7777
        put_file(target, content, mode, like, unchanged)
    except OSError as refused:
        raise BrimfulError(op, path.name, f"expected a file that can be written, got {refused.strerror}") from refused


def put_file(
    target: Path,
    content: bytes,
    mode: int,
    like: os.stat_result | None = None,
    check_before_replacing: Callable[[], None] = lambda: None,
) -> None:
    """Write a file in one step, on the disk before it returns.

    mode: its permissions; like: a file whose owner it gets; check_before_replacing: called when all is written but the
    name: what it raises leaves everything as it was. Raises OSError.
    """
    handle, temporary = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
    try:
        with os.fdopen(handle, "wb") as file:
            os.fchmod(file.fileno(), mode)
            if like is not None and (like.st_uid, like.st_gid) != (os.geteuid(), os.getegid()):
                with contextlib.suppress(PermissionError):
                    os.fchown(file.fileno(), like.st_uid, like.st_gid)
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        check_before_replacing()
        os.replace(temporary, target)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(temporary)
        raise
    folder = os.open(target.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
