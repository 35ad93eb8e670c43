"""check: looks around before, and while, the daemon runs. It changes nothing.

(To see whether the time-series database takes points, `check` sends it the newest settled one again.)
"""

import sys
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import click

from accounting.books.booking import Books
from accounting.ledger import Ledger
from accounting.model.entry import Entry
from accounting.timeseries import ReadFailed, SendFailed, Target, open_reader, open_writer, point
from daemon.assembly.endpoints import sources, timeseries_target
from daemon.assembly.prepared_home import PreparedHome, prepare
from daemon.assembly.present_broker import present_broker
from daemon.cli.check_neighbours import neighbour_lines
from daemon.cli.check_prices import price_lines
from daemon.cli.check_report import write_report
from daemon.cli.options import echo_json, echo_line, json_option
from daemon.config.cautions import cautions
from daemon.config.load import load
from daemon.config.model import Home
from daemon.recording.backups import last_backup, refuse_lost
from daemon.setup.draft import UNHEARD
from daemon.setup.listen import probe, reach
from daemon.timing.clock import SystemClock
from daemon.web.api.client import NotRunning, ask
from rules.model.errors import BrimfulError
from rules.model.formatting import counted, duration

Line = tuple[str, bool, str]
"""What was looked at, whether it is well, and the sentence."""


@click.command()
@click.argument("home_file", metavar="HOME.toml", type=click.Path(path_type=Path))
@click.option(
    "--seconds",
    type=click.FloatRange(0.1, 3600),
    default=10.0,
    show_default=True,
    help="Longest wait.",
)
@click.option("--schema", is_flag=True, help="Print the JSON Schema of home files instead.")
@click.option("--report", type=click.Path(path_type=Path), help="Write all of it to this file, without secrets.")
@json_option
def check(home_file: Path, seconds: float, schema: bool, report: Path | None, as_json: bool) -> None:
    """Check configuration, broker, signals, database and ledger, a line each. Exit 1 if something is wrong.

    With --report, the findings, the home file's settings and the running daemon's answers go into one text file, to
    send along when asking for help. It holds no password, token, user, host or address; it does hold topics.
    """
    if schema:
        from daemon.config.schema import text

        click.echo(text(), nl=False)
        return
    lines: list[Line] = []
    for line in _reported(home_file, report, lines, _looked(home_file, seconds)):
        if not as_json:
            name, well, sentence = line
            mark = "BAD " if not well else "note" if name == "caution" else "ok  "
            echo_line(f"{mark} {name:<14} {sentence}", 20)
    if as_json:
        checks = [{"name": name, "ok": well, "sentence": sentence} for name, well, sentence in lines]
        echo_json({"schema": "brimful.check/1", "ok": all(well for _, well, _ in lines), "checks": checks})
    sys.exit(0 if all(well for _, well, _ in lines) else 1)


def _reported(home_file: Path, report: Path | None, lines: list[Line], looked: Iterator[Line]) -> Iterator[Line]:
    """Hand the lines on as they come, keep them, and write the report when they end, be it by a refused home file."""
    try:
        for line in looked:
            lines.append(line)
            yield line
    except BrimfulError as refused:
        if report is not None:
            write_report(home_file, report, [*lines, ("configuration", False, str(refused))])
        raise
    if report is not None:
        write_report(home_file, report, lines)


def _looked(home_file: Path, seconds: float) -> Iterator[Line]:
    home = load(home_file)
    made = prepare(home)
    yield (
        "configuration",
        True,
        f"{home_file.name}: signals {', '.join(home.signals)}; heaters {', '.join(home.heaters)}",
    )
    if home.watches:
        yield "mode", True, 'watching: no orders are sent; with home.mode = "control" they are'
    for name, heater in home.heaters.items():
        if heater.topic.startswith(f"{UNHEARD}/"):
            key = f"heaters.{name}.topic"
            yield "heater", home.watches, f"{name}: {key} is still an example: put the topic there that it obeys"
    for caution in cautions(home):
        yield "caution", True, caution
    for well, sentence in price_lines(home, SystemClock().now().utc_s):
        yield "prices", well, sentence
    yield from _losing(home, made, SystemClock().now().utc_s)
    yield from neighbour_lines(home, SystemClock())
    yield from _broker(home, seconds)
    yield from _timeseries(home)
    yield from _ledger(home)
    yield "backup", *last_backup(home, SystemClock().now().utc_s)
    yield from _daemon(home)


def _losing(home: Home, made: PreparedHome, utc_s: float) -> Iterator[Line]:
    """Whether each kWh diverted at the prices of now loses money, and nothing stops it."""
    prices = Books(made.books).prices_at(utc_s)
    sold, heat = prices.export_price, prices.heat_value
    if home.rules.worth.enabled or sold is None or heat is None or heat >= sold:
        return
    sentence = (
        f"each kWh diverted now loses {sold - heat:.4f} {home.home.currency}: sold it brings {sold:.4f}, as heat it "
        f"saves {heat:.4f}; `brimful rule worth enabled=true` stops that"
    )
    yield "caution", True, sentence


def _broker(home: Home, seconds: float) -> Iterator[Line]:
    try:
        broker = present_broker(home)
    except BrimfulError as unreadable:
        yield "broker", False, str(unreadable)
        return
    if broker is None:
        own = "none named: `brimful run` brings its own, on this machine only"
        yield "broker", True, f"{own}. It does not run now, so no signal was tested: start it, then check again"
        return
    try:
        reached, sentence = reach(broker)
        yield "broker", reached, sentence
        if reached:
            limits = {name: home.stale_after_s(name) for name in home.signals}
            for answer in probe(broker, sources(home), seconds, SystemClock(), limits):
                yield "signal", answer.ok, answer.sentence
    except BrimfulError as refused:  # a CA file that is none, say, or a broker gone between two looks
        yield "broker", False, str(refused)


def _timeseries(home: Home) -> Iterator[Line]:
    try:
        target = timeseries_target(home)
    except BrimfulError as unreadable:
        yield "database", False, str(unreadable)
        return
    if target is None:
        yield "database", True, "no time-series database named: the ledger alone serves"
        return
    newest = _newest_entry(home)
    if newest is None:
        yield "database", *_empty_database(home, target)
        return
    writer = open_writer(target)
    try:
        writer.send([point(newest, home.home.name)])  # the same point again changes nothing
        yield "database", True, f"{target.kind}: takes points"
    except SendFailed as failure:
        yield "database", False, failure.sentence
    finally:
        writer.close()


def _empty_database(home: Home, target: Target) -> tuple[bool, str]:
    """Whether the database is there before anything has been sent to it."""
    parts = urlsplit(target.url)
    where = f"{target.kind} at {parts.hostname}:{parts.port or (443 if parts.scheme == 'https' else 80)}"
    reader = open_reader(target)
    try:
        reader.read(home.home.name, 0, 1)
    except ReadFailed as failed:
        return False, f"{where}: {failed.cause}; see [timeseries]"
    finally:
        reader.close()
    return True, f"{where}: answers; nothing to send yet"


def _newest_entry(home: Home) -> Entry | None:
    try:
        with Ledger.open_reader(home.path_of(home.ledger.path)) as ledger:
            start_s = ledger.last_entry_start()
            return None if start_s is None else ledger.entries(start_s, start_s + 1)[0]
    except BrimfulError:
        return None


def _ledger(home: Home) -> Iterator[Line]:
    path = home.path_of(home.ledger.path)
    try:
        refuse_lost(home)
        if not path.exists():
            well = path.parent.is_dir()
            later = (
                "not there yet, the daemon makes it"
                if well
                else "its folder does not exist; make it, or mount the disk it is on"
            )
            yield "ledger", well, f"{path.name}: {later}"
            return
        with Ledger.open_reader(path) as ledger:
            faults = ledger.integrity()
            waiting = ledger.outbox_depth()
            refused, oldest = ledger.refused_count(), ledger.refused(limit=1)
    except BrimfulError as damaged:
        yield "ledger", False, str(damaged)
        return
    if faults:
        yield "ledger", False, f"{path.name}: {faults[0]}"
        return
    wait = waiting and home.timeseries is not None  # without a database they are kept in case there will be one
    yield (
        "ledger",
        True,
        f"{path.name}: sound" + (f", waiting to be sent: {counted(waiting, 'interval')}" if wait else ""),
    )
    if refused:
        message = f"set aside: {counted(refused, 'interval')}, for the database refuses them: {oldest[0].why}"
        yield "database", False, f"{message}; once that is mended: brimful reconcile --repair"


def _daemon(home: Home) -> Iterator[Line]:
    """What the running daemon says of itself."""
    try:
        health = ask(home.file, "GET", "/api/health")
    except NotRunning:
        yield "daemon", True, f"none runs here; start it with: brimful run {home.file}"
        return
    except BrimfulError as silent:
        yield "daemon", False, str(silent)
        return
    if health["home"] != home.home.name:
        yield "daemon", False, f"another home's daemon answers at port {home.api.port}: {health['home']}"
        return
    yield "daemon", True, "running"
    down: dict[str, list[str]] = {}
    for name, link in health["links"].items():
        if not link["up"]:
            down.setdefault(link["reason"], []).append(name)
        elif link["reason"]:
            yield "daemon", True, f"link {name}: {link['reason']}"
    for reason, names in down.items():  # what ails one link mostly ails them all
        yield "daemon", False, f"link{'s' if len(names) > 1 else ''} {', '.join(names)}: {reason}"
    for tally in health["payloads"]:
        refused = tally["refused"]
        if refused:
            why = ", ".join(f"{reason} ({count})" for reason, count in sorted(refused.items(), key=lambda one: -one[1]))
            message = f"{sum(refused.values())} of {tally['received']} payloads since the start refused"
            yield "payloads", True, f"{tally['signal']}: {message}: {why}; the last was {tally['last_refused']!r}"
    if passed_over := health["queue"]["passed_over_readings"]:
        message = (
            "older readings since the start passed over for newer ones: they came faster than they could be dealt with"
        )
        yield "payloads", True, f"{passed_over} {message}"
    if health["books"]["fault"]:
        yield "daemon", False, f"books: {health['books']['fault']}"
    series = health["timeseries"]
    if series is not None and series["fault"]:
        depth = counted(health["books"]["outbox"], "interval")
        wait = f"; still to be sent: {depth}, next attempt in {duration(series['next_attempt_in_s'])}"
        yield "daemon", False, series["fault"] + wait
    if health["backup"] is not None and health["backup"]["fault"]:
        yield "daemon", False, health["backup"]["fault"]
    if health.get("hygiene") is not None:
        yield "hygiene", not health["hygiene"]["overdue"], health["hygiene"]["sentence"]
    for fault in (*health["prices"]["faults"], *health["alerts"]["faults"]):
        yield "daemon", False, fault
    if health["home_file"]["fault"]:
        yield "daemon", False, health["home_file"]["fault"]
    for alarm in health["alarms"]:
        yield "alarm", False, f"{alarm['name']}: {alarm['sentence']}"
