"""Which MQTT version to try next: 5 wherever the broker speaks it, for only there can an order expire."""

HANG_UPS = 3
"""How often in a row a broker must hang up on MQTT 5 before it is taken not to speak it: once is chance."""
RENEW_S = 3600.0
"""How long a link on 3.1.1 may last before MQTT 5 is tried again."""


class ProtocolChoice:
    """One connection's choice. wanted: whether MQTT 5 is to be tried at all."""

    def __init__(self, wanted: bool) -> None:
        self._wanted = wanted
        self._refused = False
        self._hang_ups = 0

    @property
    def mqtt5(self) -> bool:
        """Whether the next attempt speaks MQTT 5."""
        return self._wanted and not self._refused and self._hang_ups < HANG_UPS

    def refused(self) -> None:
        """The broker said that it does not speak the version."""
        self._refused = True

    def hung_up(self) -> None:
        """The broker ended an attempt without a word. Some do so for a version that they do not speak."""
        self._hang_ups = self._hang_ups + 1 if self.mqtt5 else 0

    def served(self) -> None:
        """A link has been and is no more: MQTT 5 comes first again, and one hang-up is enough if it was 3.1.1."""
        self._hang_ups = 0 if self.mqtt5 else HANG_UPS - 1
        self._refused = False

    def may_renew(self, lasted_s: float) -> bool:
        """Whether a link on 3.1.1 that has lasted so long is to be made anew, to try MQTT 5."""
        return self._wanted and lasted_s >= RENEW_S
