"""A listener, a heater line and a house state in a process of their own, for tests that end it the hard way.

Run as `python -m tests.support.mqtt_house HOST PORT [USER PASSWORD]`: prints "ready" once both links are up, then waits
for ever.
"""

import sys
import threading

from daemon.inputs.decode import Source
from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.heater_link import HeaterLine
from daemon.mqtt.house_state import HouseState
from daemon.mqtt.listener import Listener
from daemon.timing.clock import SystemClock
from rules.model.orders import Order


def main() -> None:
    username, password = sys.argv[3:5] if len(sys.argv) > 3 else (None, None)
    broker = BrokerAddress(sys.argv[1], int(sys.argv[2]), username, password, mqtt5=True)
    state = HouseState("Quay Cottage", lambda *message: listener.connection.publish(*message))
    sources = [Source("tank_level_pct", "cylinder/charge")]
    listener = Listener(broker, sources, print_nothing, SystemClock(), will=state.will, also_up=state.greet)
    line = HeaterLine(
        broker, "main", "diverter/permit", {Order.WITHHOLD: "0", Order.SURPLUS: "1"}, 180.0, print_nothing
    )
    listener.start()
    line.start()
    line.send(Order.SURPLUS, None)
    if listener.connection.wait_up(10) and line.connection.wait_up(10):
        print("ready", flush=True)
    threading.Event().wait()


def print_nothing(event: object) -> None:
    return


if __name__ == "__main__":
    main()
