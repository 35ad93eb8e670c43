"""run and demo: the daemon on a real home, and on an invented one."""

import contextlib
import itertools
import logging
import secrets
import signal
import socket
import tempfile
import threading
import time
from collections.abc import Iterator
from datetime import datetime
from importlib.resources import files
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from accounting.ledger import Ledger
from daemon.assembly import endpoints
from daemon.assembly.prepared_home import prepare
from daemon.cli import logs
from daemon.cli.options import echo_json, echo_line, json_option
from daemon.cli.value import show_value
from daemon.config.cautions import cautions
from daemon.config.load import load
from daemon.config.model import Home
from daemon.config.secrets import kept_secret
from daemon.demo.runner import STEP_S, DemoRun
from daemon.documents.value_document import value_answer
from daemon.documents.valuing import home_value
from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.embedded_broker import EmbeddedBroker
from daemon.runtime.service import Service
from daemon.timing.clock import SystemClock
from daemon.timing.events import Due
from rules.model.errors import BrimfulError
from rules.model.formatting import duration
from rules.model.orders import Order

SEED = 2
FIRST_DAY = datetime(2026, 6, 10)
STAY_PACE = 60.0
"""Simulated seconds to a second, once the days of the demo are over and it stays."""
_FOR_EVER = 10**9


@click.command()
@click.argument("home_file", metavar="HOME.toml", type=click.Path(path_type=Path))
@click.option("-v", "--verbose", is_flag=True, help="Log more.")
@click.option(
    "--log", type=click.Choice(["text", "json"]), default="text", show_default=True, help="Format of the log."
)
def run(home_file: Path, verbose: bool, log: logs.Form) -> None:
    """Run the daemon on a home file, until SIGTERM or Ctrl-C."""
    loaded = load(home_file)
    made = prepare(loaded)
    logs.set_up(logging.DEBUG if verbose else logging.INFO, log)
    for caution in cautions(loaded):
        if log == "json":  # every line on stderr is an object then
            logging.getLogger(__name__).warning("caution: %s", caution)
        else:
            echo_line(f"caution: {caution}", 9, err=True)
    with _broker(loaded) as broker:
        service = Service(made, broker, SystemClock())
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: service.stop())
        signal.signal(signal.SIGHUP, lambda *_: service.loop.put(Due("reload")))
        service.start()
        logging.getLogger(__name__).info("running home=%s broker=%s", loaded.home.name, broker)
        while not service.join(3600.0):
            pass


@click.command()
@click.option("--days", type=click.IntRange(1, 366), default=2, show_default=True, help="Days to simulate.")
@click.option("--headless", is_flag=True, help="Run as fast as possible; print only the end.")
@click.option("--minutes", type=click.FloatRange(0.1, 600), default=1.0, show_default=True, help="Time to watch it.")
@click.option("--stay", is_flag=True, help="Keep running afterwards, a simulated minute each second, until Ctrl-C.")
@click.option("--folder", type=click.Path(path_type=Path, file_okay=False), help="Keep home file and ledger there.")
@json_option
def demo(days: int, headless: bool, minutes: float, stay: bool, folder: Path | None, as_json: bool) -> None:
    """Simulate a house over real MQTT, and end with its statement.

    The house is invented; broker, daemon, rules and ledger are the real ones. With --stay the page stays up, so that a
    change can be tried on it: the house password is shown at the start.
    """
    if stay and headless:
        raise BrimfulError("run the demo", "--stay", "expected a demo to watch, got --headless", "leave one out")
    with contextlib.ExitStack() as stack:
        if folder is None:
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="brimful-demo-")))
        password = None if headless else demo_password()
        home_file = _demo_home(folder, password)
        loaded = load(home_file)
        logs.set_up(logging.WARNING)
        broker = stack.enter_context(EmbeddedBroker())
        zone = ZoneInfo(loaded.home.timezone)
        start_s = FIRST_DAY.replace(tzinfo=zone).timestamp()
        story = DemoRun(prepare(loaded), broker.address, SEED, start_s)
        steps = int(days * 86_400 / STEP_S)
        if not headless:
            click.echo(
                f"{loaded.home.name}, an invented house, from {FIRST_DAY:%d %B %Y}. Its home file: {home_file}",
                err=True,
            )
            lasts = "until Ctrl-C" if stay else "while the story lasts"
            click.echo(f"Its page, {lasts}: http://127.0.0.1:{loaded.api.port}/", err=True)
            click.echo(f"To try a change there, the house password: {password}", err=True)
            click.echo(f"In another terminal: brimful why --home {home_file}\n", err=True)
        if headless:
            for _ in story.steps(steps):
                pass
        else:
            _tell(story, zone, paces(steps, minutes, stay))
        with Ledger.open_reader(loaded.path_of(loaded.ledger.path)) as books:
            valued = home_value(books, loaded, "day")
        answer = _demo_answer(story, loaded, max(days, round((story.now_s - start_s) / 86_400)))
        if as_json:
            echo_json({**answer, "value": value_answer(valued, loaded)})
            return
        show_value(valued, loaded)
        seconds = answer["decisions"]["seconds_by_order"]
        click.echo(
            f"Took surplus for {duration(seconds.get('surplus', 0))}, withheld for "
            f"{duration(seconds.get('withhold', 0))}; the order changed {answer['decisions']['changes']} times."
        )
        click.echo(
            f"The diverter's own counter shows {answer['house']['diverted_kwh']:.3f} kWh, the ledger "
            f"{valued.report.total.diverted_wh / 1000:.3f} kWh."
        )


def paces(steps: int, minutes: float, stay: bool) -> list[tuple[int, float]]:
    """How a story of so many steps is shown in so many minutes: how many steps, and seconds to each; then, if it is to
    stay, as many as there is time for."""
    return [(steps, minutes * 60 / steps), *([(_FOR_EVER, STEP_S / STAY_PACE)] if stay else [])]


def _tell(story: DemoRun, zone: ZoneInfo, pace: list[tuple[int, float]]) -> None:
    """Live the story in words on stderr, at the pace of `paces`. SIGINT and SIGTERM end it as its last step would."""
    enough = threading.Event()
    former = {number: signal.signal(number, lambda *_: enough.set()) for number in (signal.SIGINT, signal.SIGTERM)}
    last_shown = None
    lengths = itertools.chain.from_iterable(itertools.repeat(pause_s, count) for count, pause_s in pace)
    next_s = time.monotonic()
    try:
        with contextlib.closing(story.steps(sum(count for count, _ in pace))) as lived:
            for now_s, pause_s in zip(lived, lengths, strict=False):
                explanation = story.service.explain()
                if (explanation.order, explanation.primary.guard) != last_shown:
                    last_shown = (explanation.order, explanation.primary.guard)
                    clock = datetime.fromtimestamp(now_s, zone)
                    mark = "●" if explanation.order is not Order.WITHHOLD else "○"
                    click.echo(f"{clock:%a %H:%M} {mark} {explanation.text}", err=True)
                next_s += pause_s
                if enough.wait(max(0.0, next_s - time.monotonic())):
                    return
    finally:
        for number, handler in former.items():
            signal.signal(number, handler)


def _demo_answer(story: DemoRun, home: Home, days: int) -> dict[str, Any]:
    tally = story.service.controller.engine.tally
    totals = story.house.totals
    return {
        "schema": "brimful.demo/1",
        "home": home.home.name,
        "days": days,
        "decisions": {
            "changes": tally.changes,
            "seconds_by_order": dict(sorted(tally.by_order.items())),
            "seconds_by_guard": dict(sorted(tally.by_guard.items())),
        },
        "house": {"diverted_kwh": int(totals.diverted_wh) / 1000},
    }


def demo_password() -> str:
    """A password for the demo's page, made anew each time, easy to copy by hand."""
    return f"larch-{secrets.randbelow(10_000):04}-{secrets.randbelow(10_000):04}"


def _demo_home(folder: Path, password: str | None) -> Path:
    """The demo's home file, in a folder of its own, with an API port that is free. password: for its page."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "home.toml"
    if path.exists():
        raise BrimfulError("run the demo", str(path), "expected a folder without a home file, got one", "name another")
    text = files("daemon.demo").joinpath("home.toml").read_text(encoding="utf-8")
    api = f"[api]\nport = {_port(8731)}\n"
    if password is not None:
        from daemon.web.server.password_hash import hashed  # no other command needs it

        secret = folder / "page-password"
        secret.touch(0o600)
        secret.write_text(f"{hashed(password)}\n", encoding="utf-8")
        api += f'password_file = "{secret.name}"\n'
    path.write_text(f"{text}\n{api}", encoding="utf-8")
    return path


def _port(wanted: int) -> int:
    """The wanted port of this machine, or another where that is taken."""
    with socket.socket() as trial:
        trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            trial.bind(("127.0.0.1", wanted))
        except OSError:
            trial.bind(("127.0.0.1", 0))
        port: int = trial.getsockname()[1]
        return port


@contextlib.contextmanager
def _broker(home: Home) -> Iterator[BrokerAddress]:
    """The home file's broker, or one of its own on loopback whose password lies in a file beside the ledger."""
    named = endpoints.broker_address(home)
    if named is not None:
        yield named
        return
    file = endpoints.own_broker_password(home)
    password = kept_secret(file, "keep the broker's password")
    with EmbeddedBroker(endpoints.BROKER_PORT, password=password) as own:
        click.echo(f"broker on {own.address}, user brimful, password in {file}", err=True)
        yield own.address
