"""Templates into answers: every value escaped, every name that a template uses known."""

import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from daemon.web.page.files import file_url
from daemon.web.page.state import State
from daemon.web.server.access import Access

PROGRAM = "brimful"
"""What the page is called for who may not see the house."""

_TEXT = re.compile(r"<(script|style|textarea|option|title|code)\b.*?</\1(?=>)|(?:^|>)[^<]+", re.DOTALL)
"""What stands between tags, but where it is to be copied or is no sentence; attributes are never touched."""
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:%|°C|k?Wh?|kg|L|s|min|h|[A-Z]{3})(?!\w))")


def units_kept(html: str) -> str:
    """The same HTML with a no-break space between a number and its unit, lest a line end in the middle of a figure."""
    return _TEXT.sub(lambda found: found[0] if found[1] else _BEFORE_UNIT.sub("\u00a0", found[0]), html)


class Renderer:
    """rooms: path and title of each, in the order of the way through the page; house: the home's name; state: how it
    is as a whole."""

    def __init__(
        self,
        access: Access,
        rooms: Sequence[tuple[str, str]],
        house: Callable[[], str],
        state: Callable[[], State | None],
    ) -> None:
        self._state = state
        self._house = house
        self._access = access
        self._rooms = rooms
        self._templates = Environment(
            loader=PackageLoader("daemon.web.page"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
            auto_reload=False,
        )
        self._templates.globals["file_url"] = file_url

    def page(
        self,
        request: Request,
        template: str,
        context: Mapping[str, Any],
        status: int = 200,
        headers: Mapping[str, str] | None = None,
    ) -> Response:
        """A whole page. Templates know, besides `context`:

        house: the home's name; state: how it is as a whole; rooms, room, here: the way through the page, the room that
        we are in ("" in none) and the path; logged_in, form_token: the login and the token that stands in each of its
        forms ("" without); open_to_read: whether everybody may see the house;
        has_password, read_only: why there may be no form at all. Who may not see the house learns nothing of it here.
        """
        session = self._access.session(request)
        may_read = self._access.may_read(request)
        known = {
            "house": self._house() if may_read else PROGRAM,
            "state": self._state() if may_read else None,
            "rooms": self._rooms if may_read else (),
            "open_to_read": self._access.open_to_read,
            "room": "",
            "here": request.url.path,
            "logged_in": session is not None,
            "may_change": session is not None and not self._access.read_only,
            "form_token": session.form_token if session is not None else "",
            "has_password": self._access.accounts.has_password,
            "read_only": self._access.read_only,
        }
        return HTMLResponse(self.part(template, {**known, **context}).encode(errors="replace"), status, headers)

    def part(self, template: str, context: Mapping[str, Any]) -> str:
        """A template as text."""
        return units_kept(self._templates.get_template(template).render(context))
