"""Templates into answers: every value escaped, every name that a template uses known, all in the reader's language."""

import re
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from daemon.web.languages.language import ENGLISH, Language, language, preferred
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


@cache
def templates(spoken: Language) -> Environment:
    """The templates in a language: what they say themselves, and the texts that they are given."""

    def gettext(template: str, /, **values: Any) -> Markup:
        return _filled(spoken.translations.gettext(template), values)

    def ngettext(one: str, more: str, many: int, /, **values: Any) -> Markup:
        return _filled(spoken.translations.ngettext(one, more, many), {"num": many, **values})

    def _filled(template: str, values: Mapping[str, Any]) -> Markup:
        return Markup(template) % {name: spoken.say(value) for name, value in values.items()}

    environment = Environment(
        loader=PackageLoader("daemon.web.page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
        extensions=["jinja2.ext.i18n"],
        finalize=spoken.say,
    )
    environment.policies["ext.i18n.trimmed"] = True
    environment.newstyle_gettext = True  # type: ignore[attr-defined]
    environment.globals.update(
        file_url=file_url, gettext=gettext, ngettext=ngettext, _=gettext, language=spoken.code, said=spoken.text
    )
    return environment


class Renderer:
    """rooms: path and title of each, in the order of the way through the page; house: the home's name; state: how it
    is as a whole; chosen: the language that the home file names, "" for each reader's own."""

    def __init__(
        self,
        access: Access,
        rooms: Sequence[tuple[str, str]],
        house: Callable[[], str],
        state: Callable[[], State | None],
        chosen: Callable[[], str] = str,
    ) -> None:
        self._state = state
        self._house = house
        self._access = access
        self._rooms = rooms
        self._chosen = chosen

    def language(self, request: Request) -> str:
        """The code of the language that a reader is answered in."""
        return self._chosen() or preferred(request.headers.get("accept-language", ENGLISH))

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
        code = self.language(request)
        html = self.part(template, {**known, **context}, code).encode(errors="replace")
        known_by = {"Content-Language": code, "Vary": "Accept-Language"}
        return HTMLResponse(html, status, {**known_by, **(headers or {})})

    def part(self, template: str, context: Mapping[str, Any], code: str = ENGLISH) -> str:
        """A template as text. code: of the language."""
        return units_kept(templates(language(code)).get_template(template).render(context))
