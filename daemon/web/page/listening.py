"""Listening to the broker for the room Set-up: one time under way at most, in a thread; the last result is kept."""

import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from daemon.mqtt.address import BrokerAddress
from daemon.setup.examine import Examined, examined
from daemon.setup.survey import Survey
from daemon.web.page.endpoints import lines_of
from rules.model.errors import BrimfulError
from rules.model.wording import joined

LONGEST_S = 600.0

Hear = Callable[[BrokerAddress | None, float, "Listened"], None]


@dataclass(slots=True)
class Listened:
    """One time of listening. token: its name, by which a form says what it chooses from; until_s: monotonic second at
    which it ends; found, known: what was heard and guessed, None until then; fault: why there is nothing."""

    token: str
    until_s: float
    found: Survey | None = None
    known: Examined | None = None
    fault: str = ""
    ended: threading.Event = field(default_factory=threading.Event)

    @property
    def left_s(self) -> float:
        """How long it still goes on, s."""
        return max(0.0, self.until_s - time.monotonic())


class Listening:
    """Belongs to the server's thread. hear: listens for so many seconds; a seam for tests."""

    def __init__(self, hear: Hear | None = None) -> None:
        self._hear = hear or _hear
        self.last: Listened | None = None

    def begin(self, broker: BrokerAddress | None, seconds: float) -> Listened:
        """Listen for so long. Raises BrimfulError while one is under way, and for a time that is none."""
        if not 1 <= seconds <= LONGEST_S:
            cause = f"expected 1 to {LONGEST_S:g} s, got {seconds:g}"
            raise BrimfulError("listen", "seconds", cause, "for longer: brimful listen --seconds")
        if self.last is not None and not self.last.ended.is_set():
            raise BrimfulError("listen", "broker", "expected one at a time, got one under way", "wait for its end")
        begun = self.last = Listened(secrets.token_hex(8), time.monotonic() + seconds)
        threading.Thread(target=self._run, args=(broker, seconds, begun), name="survey", daemon=True).start()
        return begun

    def _run(self, broker: BrokerAddress | None, seconds: float, begun: Listened) -> None:
        try:
            self._hear(broker, seconds, begun)
        except BrimfulError as refused:
            begun.fault = joined(lines_of(refused), " ")
        except Exception as unforeseen:  # its asker must not wait for ever
            begun.fault = f"listening failed: {type(unforeseen).__name__}"
            raise
        finally:
            begun.ended.set()


def _hear(broker: BrokerAddress | None, seconds: float, begun: Listened) -> None:
    from daemon.setup.listen import survey  # with it comes paho, which a question to the ledger has no use for

    if broker is None:
        raise BrimfulError("listen", "broker", "expected one that can be reached, found none")
    found = survey(broker, seconds)
    begun.known = examined(found.readable())
    begun.found = found
