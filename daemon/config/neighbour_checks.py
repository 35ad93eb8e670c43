"""What must agree about readers, pulse counters, alerts and the Homie device."""

from collections.abc import Callable

from daemon.config.model import Home
from daemon.config.neighbours import MqttAlert
from daemon.config.readers import READER, TelegramReader
from daemon.config.state_topics import slug, state_base
from daemon.config.wording import close, shown
from rules.model.signals import find

Add = Callable[..., None]
"""`Report.add`: key, expected, got, hint."""


def check_neighbours(home: Home, add: Add) -> None:
    """Note all that disagrees."""
    _pulses(home, add)
    _readers(home, add)
    _topics(home, add)


def _pulses(home: Home, add: Add) -> None:
    for name, source in home.signals.items():
        if source.pulses_per_kwh is None:
            continue
        key, known = f"signals.{name}.pulses_per_kwh", find(name, home.heaters)
        if known is not None and (known[0].kind, known[0].unit) != ("counter", "Wh"):
            add(key, "a signal that counts energy, as diverted_wh does", shown(name))
        if "scale" in source.model_fields_set:
            add(key, "either scale or pulses_per_kwh", "both", "the pulses alone give the scale")


def _readers(home: Home, add: Add) -> None:
    for name, source in home.signals.items():
        wanted = source.topic.removeprefix(READER)
        if source.topic.startswith(READER) and wanted not in home.readers:
            add(
                f"signals.{name}.topic",
                f"a reader of the table [readers.{wanted}]",
                "no such table",
                close(wanted, [*home.readers]),
            )
    used = {source.topic.removeprefix(READER) for source in home.signals.values() if source.topic.startswith(READER)}
    for name, reader in home.readers.items():
        key = f"readers.{name}"
        if name not in used:
            add(key, f'a signal with topic = "{READER}{name}"', "none", "it would be read for nothing")
        if isinstance(reader, TelegramReader):
            if (reader.host is None) == (reader.device is None):
                add(f"{key}.host", "either host and port, or device", "neither" if reader.host is None else "both")
            elif (reader.port is None) != (reader.host is None):
                add(f"{key}.port", "host and port together", "one of them")


def _topics(home: Home, add: Add) -> None:
    state = f"{state_base(home.home.name)}/"
    device = f"{home.homie.domain}/5/brimful-{slug(home.home.name)}/" if home.homie is not None else None
    ordered = {f"heaters.{name}": heater.topic for name, heater in home.heaters.items()}
    ordered |= {f"outputs.{name}": output.topic for name, output in home.outputs.items()}
    taken = {source.topic: f"signals.{name}" for name, source in home.signals.items()}
    taken |= {topic: key for key, topic in ordered.items()}
    alerts = {
        f"alerts[#{number}]": alert.topic for number, alert in enumerate(home.alerts, 1) if isinstance(alert, MqttAlert)
    }
    for key, topic in alerts.items():
        if topic in taken:
            hint = "an alert there would be taken for an order or a reading"
            add(f"{key}.topic", f"another topic than {taken[topic]}", shown(topic), hint)
        if f"{topic}/".startswith(state):
            add(f"{key}.topic", f"a topic outside {state}", shown(topic), "brimful publishes its own state there")
    for key, topic in {**ordered, **alerts}.items():
        if device is not None and f"{topic}/".startswith(device):
            add(f"{key}.topic", f"a topic outside {device}", shown(topic), "brimful shows its Homie device there")
