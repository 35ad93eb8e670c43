"""The live stream (server-sent events): each new picture of the house, rendered once in each language."""

import asyncio
import json
from collections.abc import AsyncIterator, Callable, Mapping
from typing import Any

from starlette.responses import Response, StreamingResponse

from daemon.web.server.live_state import MOST_READERS, Latest, Picture
from daemon.web.server.refusals import Refusal

BEAT_S = 20.0
"""A stream with nothing to tell says so, lest somebody between thinks it dead; and one that has gone is noticed."""
AGAIN_MS = 3000
"""After how long a browser comes back when the stream has ended."""


class Live:
    """render: a picture, and the code of a language, as what the page's script takes: texts by name."""

    def __init__(self, latest: Latest, render: Callable[[Picture, str], Mapping[str, Any]]) -> None:
        self._latest = latest
        self._render = render
        self._rendered: dict[str, tuple[Picture, str]] = {}

    def stream(self, may_read: Callable[[], bool], code: str) -> Response:
        """One reader's stream: events `now` whose data is what `render` gave. may_read: asked before each; a login that
        has ended ends the stream. code: of the reader's language.

        Raises Refusal where there are too many.
        """
        if self._latest.readers >= MOST_READERS:
            cause = f"expected at most {MOST_READERS} open pages"
            raise Refusal(503, "live", cause, "close one", {"Retry-After": "60"})
        return StreamingResponse(self._events(may_read, code), media_type="text/event-stream")

    async def _events(self, may_read: Callable[[], bool], code: str) -> AsyncIterator[str]:
        yield f"retry: {AGAIN_MS}\n\n"
        with self._latest.reading() as reader:
            while True:
                try:
                    picture = await asyncio.wait_for(reader.next(), BEAT_S)
                    said = "" if picture is None else self._event(picture, code)
                except TimeoutError:
                    said = ": still here\n\n"
                if not said or not may_read():
                    return
                yield said

    def _event(self, picture: Picture, code: str) -> str:
        rendered = self._rendered.get(code)
        if rendered is None or rendered[0] is not picture:
            data = json.dumps(self._render(picture, code), ensure_ascii=False)
            rendered = self._rendered[code] = (picture, f"event: now\ndata: {data}\n\n")
        return rendered[1]
