"""What the server says in JSON, and when it does not do what was asked."""

import json
from typing import Any

from starlette.responses import JSONResponse

from rules.model.errors import BrimfulError


class JsonAnswer(JSONResponse):
    """An answer as JSON. Half a character, which JSON can carry in and UTF-8 cannot carry out, goes as its escape."""

    def render(self, content: Any) -> bytes:
        return json.dumps(content, ensure_ascii=False, allow_nan=False).encode(errors="backslashreplace")


class Refusal(BrimfulError):
    """A refusal with its HTTP status; headers: what goes with it."""

    def __init__(
        self, status: int, subject: str, cause: str, hint: str = "", headers: dict[str, str] | None = None
    ) -> None:
        super().__init__("answer", subject, cause, hint)
        self.status = status
        self.headers = headers or {}


def status_of(error: BrimfulError) -> int:
    """400 for what a person can mend; a Refusal has its own."""
    return error.status if isinstance(error, Refusal) else 400


def error_answer(error: BrimfulError) -> dict[str, Any]:
    """An error as JSON. text: all of it for people, one problem a line."""
    parts = {"op": error.op, "subject": error.subject, "cause": error.cause, "hint": error.hint}
    return {"error": {**parts, "text": str(error)}}
