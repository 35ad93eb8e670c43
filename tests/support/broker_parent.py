"""A process that holds an embedded broker and nothing else, for tests that end it. Prints the child's id and port.

Run as `python -m tests.support.broker_parent KIND`.
"""

import sys
import threading

from daemon.mqtt.embedded_broker import EmbeddedBroker

if __name__ == "__main__":
    with EmbeddedBroker(kind=sys.argv[1]) as broker:  # type: ignore[arg-type]
        print(broker.pid, broker.address.port, flush=True)
        threading.Event().wait()
