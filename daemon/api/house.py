"""What the server knows of the house."""

from collections.abc import Callable
from dataclasses import dataclass

from daemon.api.access import Access
from daemon.api.asking import Asking
from daemon.api.latest import Latest
from daemon.config.model import Home


@dataclass(frozen=True, slots=True)
class House:
    """asking: wishes and questions to the loop; latest: what it is like now; access: who may do what; home: its home
    file as it holds now."""

    asking: Asking
    latest: Latest
    access: Access
    home: Callable[[], Home]
