"""The house's MQTT connections: one that listens and publishes, and one for each heater that is controlled. None is
opened here."""

from collections.abc import Callable, Mapping
from functools import partial

from daemon.assembly.endpoints import payloads, read_sources, sources
from daemon.assembly.prepared_home import PreparedHome
from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.connection import Connection
from daemon.mqtt.heater_link import HeaterLine
from daemon.mqtt.house_state import HouseState
from daemon.mqtt.listener import Listener
from daemon.mqtt.order_switch import OrderSwitch
from daemon.mqtt.outputs import Output, OutputRule, Outputs
from daemon.recording.last_heard import Heard as LastHeard
from daemon.timing.clock import Clock
from daemon.timing.events import Event
from rules.model.orders import Order


class Connections:
    """made: the home file made ready; put: hands the loop what comes, on the network threads.

    also_heard: what to call with the payloads of further topics; dated: whether readings can be dated now; last_heard:
    when the tank's signals were heard live before the start.
    """

    def __init__(
        self,
        made: PreparedHome,
        broker: BrokerAddress,
        clock: Clock,
        put: Callable[[Event], None],
        *,
        also_heard: Mapping[str, Callable[[bytes], None]],
        dated: Callable[[], bool],
        last_heard: LastHeard,
    ) -> None:
        home = made.home
        self.state = HouseState(home.home.name, self.publish)
        self.outputs = Outputs(
            [
                Output(OutputRule(Order(output.follows), output.run_on_s), output.topic, output.on, output.off)
                for output in home.outputs.values()
            ],
            self.publish,
            not home.watches,
        )
        self._when_up: list[Callable[[], object]] = [self.state.greet, self.outputs.tell_again]
        self.listener = Listener(
            broker,
            sources(home),
            put,
            clock,
            will=self.state.will,
            also_up=self._up,
            also_heard=also_heard,
            dated=dated,
            last_heard=last_heard,
            polled=read_sources(home),
        )

        def line(name: str) -> HeaterLine:
            heater = home.heaters[name]
            return HeaterLine(broker, name, heater.topic, payloads(home, name), heater.order_expiry_s, put)

        self.lines = [
            OrderSwitch(heater.name, partial(line, heater.name), not home.watches) for heater in made.rules.heaters
        ]

    def publish(self, topic: str, payload: bytes, qos: int, retain: bool = False) -> bool:
        """Publish on the listening connection; False while it is down."""
        return self.listener.connection.publish(topic, payload, qos, retain=retain)

    def when_up(self, greet: Callable[[], object]) -> None:
        """Have something called at each connect, on the network thread: what is retained is said again there."""
        self._when_up.append(greet)

    @property
    def links(self) -> list[OrderSwitch | Connection]:
        """What can be broken off, the heaters' connections first."""
        return [*self.lines, self.listener.connection]

    def start_lines(self) -> None:
        """Begin to connect the heaters."""
        for line in self.lines:
            line.start()

    def ends(self) -> list[Callable[[], object]]:
        """How they end, in this order: withhold first."""
        listening = [self.outputs.off, lambda: self.listener.close(self.state.farewell)]
        return [*(line.close for line in self.lines), *listening]

    def _up(self) -> None:
        for greet in self._when_up:
            greet()
