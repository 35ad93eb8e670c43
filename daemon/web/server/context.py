"""What the server knows of the house."""

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field

from daemon.config.model import Home
from daemon.mqtt.address import BrokerAddress
from daemon.web.server.access import Access
from daemon.web.server.live_state import Latest, Picture
from daemon.web.server.loop_client import Asking
from daemon.web.server.query_cache import Shelf
from daemon.web.server.refusals import Refusal
from rules.model.errors import BrimfulError
from rules.model.wording import say


@dataclass(frozen=True, slots=True)
class House:
    """asking: wishes and questions to the loop; latest: what it is like now; access: who may do what; home: its home
    file as it holds now; shelf: what was read from the ledger a short while ago; broker: that of its readings, None
    where there is none to listen to."""

    asking: Asking
    latest: Latest
    access: Access
    home: Callable[[], Home]
    shelf: Shelf = field(default_factory=Shelf)
    broker: BrokerAddress | None = None

    async def written(self) -> None:
        """Have the loop write the interval in progress, so that the ledger says what the page says."""
        with suppress(BrimfulError):  # the ledger as it is, then
            await self.asking.ask("written", {})

    async def picture(self) -> Picture:
        """The house as it is now. Raises Refusal before there is any."""
        picture = await self.latest.picture()
        if picture is None:
            raise Refusal(
                503, "loop", say("expected the house's state, got none yet"), say("load the page again in a while")
            )
        return picture
