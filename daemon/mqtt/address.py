"""Where a broker is and who one is to it."""

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class BrokerAddress:
    """A broker. password is kept out of every printed form.

    tls: encrypt the link; ca_file: certificate of the authority that signed the broker's (None: the system's own);
    mqtt5: whether to try MQTT 5 before 3.1.1. keepalive_s: after one and a half of it without a word from us the broker
    gives a link up and publishes its last will; we do after two without a word from it.
    """

    host: str
    port: int = 1883
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False
    ca_file: str | None = None
    mqtt5: bool = True
    keepalive_s: int = 15

    def __str__(self) -> str:
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"
