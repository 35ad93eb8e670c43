"""Style, script and icon: files beside the page, named with their hash so that they can be kept."""

import hashlib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from pathlib import Path

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from daemon.web.server.refusals import Refusal

_TYPES = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml", ".png": "image/png"}
KEEP = "public, max-age=31536000, immutable"


@cache
def _files() -> Mapping[str, tuple[bytes, str]]:
    """Content and hash by name. Read once; they are small."""
    found = {
        path.name: path.read_bytes()
        for path in files("daemon.web.page").joinpath("static").iterdir()
        if Path(path.name).suffix in _TYPES
    }
    return {name: (content, hashlib.sha256(content).hexdigest()[:12]) for name, content in found.items()}


def file_url(name: str) -> str:
    """Where a file is served. Raises KeyError for one that is none."""
    return f"/static/{_files()[name][1]}/{name}"


def file_routes() -> list[BaseRoute]:
    """The files' path."""

    async def serve(request: Request) -> Response:
        name, wanted = request.path_params["name"], request.path_params["hash"]
        content, known = _files().get(name, (b"", ""))
        if not known or wanted != known:
            raise Refusal(404, request.url.path[:80], "expected one of the page's files")
        headers = {"Cache-Control": KEEP, "Content-Type": f"{_TYPES[Path(name).suffix]}; charset=utf-8"}
        return Response(content, headers=headers)

    return [Route("/static/{hash}/{name}", serve, methods=["GET"])]
