"""The running daemon against bare clients on the same broker: order latency, messages a second, memory, start-up.

python tests/bench/bench_daemon.py
"""

import json
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from statistics import median, quantiles

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from tests.services.test_daemon import House  # noqa: E402
from tests.support.broker import Client, Mosquitto  # noqa: E402

ROUNDS = 500
MESSAGES = 20_000
ECHO = """
import socket, sys, paho.mqtt.client as paho
client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
client.on_socket_open = lambda c, d, s: s.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
client.on_message = lambda c, d, m: client.publish("echo/back", m.payload, 1)
client.on_subscribe = lambda *_: print("ready", flush=True)
client.on_connect = lambda *_: client.subscribe("echo/there", 1)
client.connect("127.0.0.1", int(sys.argv[1]))
client.loop_forever()
"""
COUNT = """
import json, sys, time, paho.mqtt.client as paho
began, heard = None, 0
def hear(client, data, message):
    global began, heard
    began = began or time.perf_counter()
    heard += 1
    json.loads(message.payload)["wh"]
    if heard == int(sys.argv[2]):
        print(time.perf_counter() - began, flush=True)
        client.disconnect()
client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
client.on_message = hear
client.on_subscribe = lambda *_: print("ready", flush=True)
client.on_connect = lambda *_: client.subscribe("wren/energy", 1)
client.connect("127.0.0.1", int(sys.argv[1]))
client.loop_forever()
"""


def child(code: str, *arguments: object) -> "subprocess.Popen[str]":
    process = subprocess.Popen([sys.executable, "-c", code, *map(str, arguments)], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stdout.readline().strip() == "ready"
    return process


def rounds(wire: Client, topic: str, back: str, payloads: tuple[str, str]) -> list[float]:
    """Seconds from publishing on `topic` to hearing on `back`, turn by turn."""
    heard = threading.Event()
    wire._paho.on_message = lambda _client, _data, message: heard.set() if message.topic == back else None
    times = []
    for turn in range(ROUNDS + 50):
        heard.clear()
        began = time.perf_counter()
        wire._paho.publish(topic, payloads[turn % 2], 1)
        assert heard.wait(5)
        times.append(time.perf_counter() - began)
    return times[50:]


def line(name: str, measured: str, floor: str, ratio: float, aim: str) -> None:
    print(f"{name:<34}{measured:>14}{floor:>14}{ratio:>8.2f}  {aim}")


def main() -> None:
    print(f"{'':<34}{'measured':>14}{'floor':>14}{'ratio':>8}  aim")
    with tempfile.TemporaryDirectory() as folder, Mosquitto(Path(folder)) as broker:
        house = House(Path(folder), broker)
        text = house.file.read_text().replace('topic = "wren/energy"', 'topic = "wren/energy"\npointer = "/wh"')
        house.file.write_text(text)
        house.start()
        port = broker.address().port
        echo = child(ECHO, port)
        with Client(broker.address(), "wren/permit", "echo/back") as wire:
            wire.publish("wren/meter", "-1500")
            floors, found = [], []
            for _ in range(3):
                floors += rounds(wire, "echo/there", "echo/back", ("96", "70"))
                wire._paho.publish("wren/meter", "-1500", 1)
                found += rounds(wire, "wren/level", "wren/permit", ("70", "96"))
            for name, cut in (("p50", 49), ("p99", 98)):
                measured, floor = (quantiles(times, n=100)[cut] * 1e3 for times in (found, floors))
                aim = "≤ 1.5" if name == "p99" else ""
                line(f"level → order {name}", f"{measured:.2f} ms", f"{floor:.2f} ms", measured / floor, aim)
        echo.kill()
        bare = child(COUNT, port, MESSAGES)
        with Client(broker.address()) as wire:
            began = time.perf_counter()
            for count in range(MESSAGES):
                sent = wire._paho.publish("wren/energy", json.dumps({"wh": 1000 + count // 100}), 1)
            sent.wait_for_publish(60)
            assert bare.stdout is not None
            floor_s = float(bare.stdout.readline())
            last = 1000 + (MESSAGES - 1) // 100
            while True:
                inputs = json.loads(house.asks("why", "--json").stdout)["inputs"]
                if any(told["signal"] == "diverted_wh" and told["value"] == last for told in inputs):
                    break
            daemon_s = time.perf_counter() - began
        house.asks("override", "clear")
        total = json.loads(house.asks("value", "--json").stdout)["total"]["diverted_kwh"]
        assert total == (last - 1000) / 1000, total
        line(
            "messages a second, none lost",
            f"{MESSAGES / daemon_s:.0f}",
            f"{MESSAGES / floor_s:.0f}",
            floor_s / daemon_s,
            "≥ 0.5",
        )
        status = Path(f"/proc/{house._process.pid}/status").read_text()
        rss_mb = int(status.split("VmRSS:")[1].split()[0]) / 1024
        line("resident memory", f"{rss_mb:.0f} MB", "60 MB", rss_mb / 60, "≤ 1")
        for words in (("why",), ("--help",)):
            found, floors = [], []
            for _ in range(10):
                began = time.perf_counter()
                house.asks(*words)
                found.append(time.perf_counter() - began)
                began = time.perf_counter()
                subprocess.run([sys.executable, "-c", "pass"], check=True)
                floors.append(time.perf_counter() - began)
            measured, floor = median(found), median(floors)
            line(f"brimful {words[0]}", f"{measured:.2f} s", f"{floor:.2f} s", measured / floor, "≤ 0.4 s")
        house.close()


if __name__ == "__main__":
    main()
