"""A file put in the place of another in one step: whoever reads it meets the old one or the new one, whole."""

import contextlib
import os
import tempfile
from pathlib import Path

from rules.model.errors import BrimfulError

_NEW_MODE = 0o644


def replace_file(op: str, path: Path, before: bytes | None, content: bytes) -> None:
    """Put the content in the file's place, with its mode and owner.

    before: what the file was when it was read, None where there was none. Raises BrimfulError, which names op, where it
    is another by now or cannot be written.
    """
    target = path.resolve()
    temporary = ""
    try:
        status = None if before is None else target.stat()
        handle, temporary = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
        with os.fdopen(handle, "wb") as file:
            os.fchmod(file.fileno(), _NEW_MODE if status is None else status.st_mode & 0o7777)
            if status is not None and (status.st_uid, status.st_gid) != (os.geteuid(), os.getegid()):
                with contextlib.suppress(PermissionError):
                    os.fchown(file.fileno(), status.st_uid, status.st_gid)
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        if (target.read_bytes() if target.exists() else None) != before:
            raise BrimfulError(
                op, path.name, "expected the file as it was read, got another", "somebody edits it; try again"
            )
        os.replace(temporary, target)
        temporary = ""
        folder = os.open(target.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except OSError as refused:
        raise BrimfulError(op, path.name, f"expected a file that can be written, got {refused.strerror}") from refused
    finally:
        if temporary:
            with contextlib.suppress(OSError):
                os.unlink(temporary)
