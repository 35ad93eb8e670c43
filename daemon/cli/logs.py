"""The log on stderr: lines for people, or a JSON object a line for a program that collects them."""

import json
import logging
import re
import threading
from datetime import UTC, datetime
from typing import Any, Literal

Form = Literal["text", "json"]
TEXT = "%(asctime)s %(levelname)s %(name)s %(message)s"
_FIELD = re.compile(r"([a-z_][a-z0-9_]*|%s)=(%[^%a-z]*[a-z]|[^\s%:;,]+)(?=\s|$) ?", re.IGNORECASE)
_ARGUMENT = re.compile(r"%[^%a-z]*[a-z]", re.IGNORECASE)


def set_up(level: int, form: Form = "text") -> None:
    """Log from `level` on, and say what ends a thread. form: how a line looks."""
    handler = logging.StreamHandler()
    handler.setFormatter(JsonLines() if form == "json" else logging.Formatter(TEXT))
    logging.basicConfig(level=level, handlers=[handler])
    for name in ("apscheduler", "urllib3"):
        logging.getLogger(name).setLevel(max(level, logging.WARNING))
    # It warns of each request that is no HTTP: whoever can reach the page could fill the log.
    logging.getLogger("uvicorn.error").setLevel(max(level, logging.ERROR))
    threading.excepthook = _thread_failed


def _thread_failed(failure: threading.ExceptHookArgs) -> None:
    logging.getLogger("brimful").critical("thread=%s failed", failure.thread, exc_info=failure.exc_value)


class JsonLines(logging.Formatter):
    """Each record as one line of JSON: time (UTC, ISO 8601), level, logger, message, fields, and traceback if any.

    fields: what the message begins with as `name=value`, with the value's own type; a value may hold spaces there.
    """

    def format(self, record: logging.LogRecord) -> str:
        """The line."""
        at = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
        entry: dict[str, Any] = {
            "time": at.replace("+00:00", "Z"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
            "fields": _fields(record),
        }
        if record.exc_info:
            entry["traceback"] = self.formatException(record.exc_info)
        return json.dumps(entry, ensure_ascii=False, default=str)


def _fields(record: logging.LogRecord) -> dict[str, Any]:
    arguments = record.args if isinstance(record.args, tuple) else ()
    found: dict[str, Any] = {}
    place = used = 0
    while (field := _FIELD.match(str(record.msg), place)) is not None:
        parts: list[Any] = []
        for part in field.groups():
            entry = bool(_ARGUMENT.fullmatch(part)) and used < len(arguments)
            parts.append(arguments[used] if entry else part)
            used += entry
        name, value = parts
        found[str(name)] = value if isinstance(value, int | str | None) else _finite(value)
        place = field.end()
    return found


def _finite(value: Any) -> Any:
    return value if isinstance(value, float) and abs(value) < float("inf") else str(value)
