"""Who may read and who may change: the machine's own user by a file, people by a login."""

import secrets
from dataclasses import dataclass
from hashlib import blake2b

from starlette.requests import Request

from daemon.web.server.accounts import Accounts, Session
from daemon.web.server.refusals import Refusal

FORM_TOKEN = "form_token"
FORM_HEADER = "x-form-token"


@dataclass(frozen=True, slots=True)
class Access:
    """accounts: who is logged in; token: of the machine's own user; token_file: where it stands, for messages;
    open_to_read: whether reading needs no login; read_only: whether the page changes nothing."""

    accounts: Accounts
    token: str
    token_file: str
    open_to_read: bool
    read_only: bool

    @property
    def cookie(self) -> str:
        """The name of a login's cookie: the home's own, for browsers keep one jar for all ports of a host."""
        return f"brimful-{blake2b(self.token.encode(), digest_size=4).hexdigest()}"

    @property
    def _token_named(self) -> str:
        """The token in words: where only this machine can ask, with the place of its file."""
        return f"the token in {self.token_file}" if self.open_to_read else "the token beside the ledger"

    def session(self, request: Request, *, renews: bool = True) -> Session | None:
        """The login that a request belongs to. renews: whether that counts as a use of it."""
        return self.accounts.session(request.cookies.get(self.cookie), renews=renews)

    def is_machine(self, request: Request) -> bool:
        """Whether it comes from somebody who can read the token's file."""
        scheme, _, credentials = request.headers.get("authorization", "").partition(" ")
        return scheme.lower() == "bearer" and secrets.compare_digest(credentials.strip().encode(), self.token.encode())

    def may_read(self, request: Request, *, renews: bool = True) -> bool:
        """Whether a request may see the house. renews: whether that counts as a use of its login."""
        return self.open_to_read or self.is_machine(request) or self.session(request, renews=renews) is not None

    def wants_login(self, request: Request) -> bool:
        """Whether a form of our own comes from somebody whom a login would let change something."""
        if self.is_machine(request) or self.read_only or not self.accounts.has_password:
            return False
        return "origin" in request.headers and self.session(request) is None

    def is_of_former_login(self, request: Request, form_token: str) -> bool:
        """Whether a form of our own was made for another login than the one it comes with."""
        session = self.session(request)
        if "origin" not in request.headers or session is None or self.read_only or self.is_machine(request):
            return False
        return not secrets.compare_digest(form_token.encode(), session.form_token.encode())

    def must_read(self, request: Request) -> None:
        """Raises Refusal where a login is needed."""
        if not self.may_read(request):
            raise Refusal(401, "login", "expected a login, got none", f"or {self._token_named}")

    def must_change(self, request: Request, form_token: str | None = None) -> None:
        """Raises Refusal unless a request may change something. form_token: from the form; else from the header."""
        if self.is_machine(request):
            return
        if self.session(request) is None:
            hint = "brimful sends it itself where it can read that file"
            raise Refusal(401, "login", f"expected a login, or {self._token_named}, got neither", hint)
        if self.read_only:
            raise Refusal(403, "api.read_only", "expected false for a change by the page, got true")
        self.must_be_form_of_session(request, form_token)

    def must_be_form_of_session(self, request: Request, form_token: str | None = None) -> None:
        """Raises Refusal unless a page of this very login sent it."""
        self.must_be_own_form(request)
        session = self.session(request)
        credentials = form_token if form_token is not None else request.headers.get(FORM_HEADER, "")
        if session is None or not secrets.compare_digest(credentials.encode(), session.form_token.encode()):
            raise Refusal(403, FORM_TOKEN, "expected the form's own token, got another or none", "load the page again")

    def must_be_own_form(self, request: Request) -> None:
        """Raises Refusal unless the browser says that one of our own pages sent this: see `security.is_own_page`."""
        if "origin" not in request.headers:
            raise Refusal(403, "Origin", "expected a form of this page, got a request without its origin")
