"""Which displaced sources burn a fuel, and which buy electricity."""

from daemon.config.model import Home
from daemon.config.money import Displaces


def burns(home: Home, source: Displaces) -> bool:
    """Whether the source burns gas or another fuel: by its tariff, else by how it is recorded or called."""
    if source.tariff is not None:
        return home.tariffs[source.tariff].direction == "fuel"
    called = source.source.lower()
    return source.recorded == "boiler" or "gas" in called or "boiler" in called
