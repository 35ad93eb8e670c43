"""Puts questions and wishes into the loop's queue and waits for the answers, few at a time and not for ever."""

import asyncio
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any

from daemon.timing.events import Ask
from daemon.web.server.refusals import Refusal
from rules.model.errors import BrimfulError
from rules.model.wording import say

ANSWER_WITHIN_S = 5.0
MOST_WAITING = 16
"""Questions that wait for the loop at a time; more are sent away, for they would only be answered later."""


class Asking:
    """The way to the loop. put: hands it an event, from any thread; within_s: how long its answer may take."""

    def __init__(self, put: Callable[[Ask], None], within_s: float = ANSWER_WITHIN_S) -> None:
        self._put = put
        self._within_s = within_s
        self._waiting = 0

    async def ask(self, name: str, arguments: dict[str, Any]) -> Any:
        """The loop's answer. Raises its BrimfulError, or Refusal."""
        if self._waiting >= MOST_WAITING:
            raise Refusal(
                503,
                "loop",
                say("expected at most {most} questions at a time", most=MOST_WAITING),
                say("ask again in a while"),
            )
        answer: Future[Any] = Future()
        self._waiting += 1
        try:
            self._put(Ask(name, arguments, answer))
            coming = asyncio.wrap_future(answer)
            coming.add_done_callback(_look)
            await asyncio.wait([coming], timeout=self._within_s)
            if coming.done():
                return coming.result()
            # What is still in the queue must not be done after its asker had the answer that it was not.
            fate = say("nothing was done") if answer.cancel() else say("it may be done all the same")
            raise Refusal(
                503, "loop", say("expected an answer within {seconds} s", seconds=f"{self._within_s:g}"), fate
            )
        except BrimfulError:
            raise
        except Exception as unforeseen:
            cause = say("expected an answer, got {got}", got=type(unforeseen).__name__)
            raise Refusal(500, name, cause, say("see the daemon's log")) from unforeseen
        finally:
            self._waiting -= 1


def _look(coming: "asyncio.Future[Any]") -> None:
    """An error that comes too late is nobody's: the loop has written it into the log."""
    if not coming.cancelled():
        coming.exception()
