"""How the whole house is, in the one word that stands in the head of every room."""

from dataclasses import dataclass

from daemon.web.page.ledger_queries import free_bytes
from daemon.web.page.views.house import home_facts
from daemon.web.page.views.troubles import state_words, troubles
from daemon.web.server.context import House
from daemon.web.server.live_state import Picture
from rules.model.wording import say

RECENT_S = 60.0
"""An older picture says nothing of now."""
DISK_KEPT_S = 60.0


@dataclass(frozen=True, slots=True)
class State:
    """words: "All is well", "2 troubles"; troubled: whether something needs the owner."""

    words: str
    troubled: bool


def state_of(house: House, picture: Picture) -> State:
    """The state that a picture shows."""
    many = len(troubles(picture.health, home_facts(picture.home), disk_bytes(house)))
    words = state_words(many)
    return State(say("{state}, only watching", state=words) if picture.home.watches else words, many > 0)


def state_now(house: House) -> State | None:
    """The state by the newest picture; None where there is none of late."""
    picture = house.latest.recent(RECENT_S)
    return None if picture is None else state_of(house, picture)


def disk_bytes(house: House) -> int | None:
    """Free bytes beside the ledger, as read a short while ago; None where not known."""
    return house.shelf.last("disk", DISK_KEPT_S, lambda: free_bytes(house.home()))
