"""Makes the server of a home: imported only by the daemon, for questions need none of this."""

import logging
import secrets
from collections.abc import Callable
from pathlib import Path

from daemon.config.model import Home
from daemon.config.secrets import kept_secret, page_password_hash
from daemon.mqtt.address import BrokerAddress
from daemon.timing.clock import Clock
from daemon.timing.events import Ask
from daemon.web.api.client import token_file
from daemon.web.server.access import Access
from daemon.web.server.accounts import Accounts
from daemon.web.server.context import House
from daemon.web.server.live_state import Latest
from daemon.web.server.loop_client import Asking
from daemon.web.server.password_hash import is_hash
from daemon.web.server.query_cache import Shelf
from daemon.web.server.security import Hosts, is_loopback
from daemon.web.server.serving import Serving
from daemon.web.site.application import application
from rules.model.errors import BrimfulError

log = logging.getLogger(__name__)


def open_server(
    home: Callable[[], Home],
    latest: Latest,
    put: Callable[[Ask], None],
    clock: Clock,
    broker: BrokerAddress | None = None,
) -> Serving:
    """The server of a home, at its address but not started. home: its home file as it holds now; put: to the loop;
    clock: the house's; broker: the one that its readings come from.

    Raises BrimfulError: the address is taken, or the password's hash cannot be read.
    """
    settings = home().api
    known = page_password_hash(home())
    if known is not None and not is_hash(known.get_secret_value()):
        cause = f"expected the hash of a password, got one that is cut short or of another kind ({home().file.name})"
        raise BrimfulError("open the page", "api.password_file", cause, f"brimful password {home().file}")
    file = token_file(home().path_of(home().ledger.path))
    access = Access(
        Accounts(known.get_secret_value() if known is not None else None),
        _token(file),
        str(file),
        open_to_read=is_loopback(settings.bind) and not settings.names,
        read_only=settings.read_only,
    )
    house = House(Asking(put), latest, access, home, Shelf(lambda: clock.now().mono_s), broker)
    return Serving(settings.bind, settings.port, application(house, Hosts(settings.bind, settings.names)), latest)


def _token(file: Path) -> str:
    """The token of the machine's own user. Where it cannot be kept nobody knows it, and the heaters are looked after
    all the same."""
    try:
        return kept_secret(file, "keep the command line's token")
    except BrimfulError as refused:
        log.error("api-token=failed the command line can change nothing: %s", refused)
        return secrets.token_hex(32)
