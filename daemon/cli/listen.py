"""listen: what a broker carries, the signals it may be, and a home file begun from them. It sends nothing."""

import os
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from daemon.assembly.present_broker import present_broker
from daemon.cli.options import echo_json, fitted, json_option, visible
from daemon.config.load import made_broker, read_bytes, toml
from daemon.mqtt.address import BrokerAddress
from daemon.setup.behaviour import pace
from daemon.setup.draft import Facts, draft
from daemon.setup.examine import Examined, examined
from daemon.setup.listen import survey
from daemon.setup.members import members
from daemon.setup.suggest import Suggestion, signals_table
from daemon.setup.survey import Survey, Topic
from daemon.setup.writing import broker_lines, write
from rules.model.errors import BrimfulError
from rules.model.formatting import counted, duration

OP = "listen"
_KETTLE_S = 25.0
"""How long the sign test listens after a kettle went on."""
_SHOWN = 60
_MOST_SHOWN_MEMBERS = 12


@dataclass(frozen=True, slots=True)
class _Where:
    """The broker, and what is known of the house from a home file that may be incomplete."""

    broker: BrokerAddress
    password_file: Path | None
    named: bool
    home: Mapping[str, Any]


@click.command()
@click.argument("home_file", metavar="[HOME.toml]", type=click.Path(path_type=Path), required=False)
@click.option("--host", help="The broker's host, where there is no home file yet.")
@click.option("--port", type=click.IntRange(1, 65535), help="The broker's port. Default: 1883, or 8883 with --tls.")
@click.option("--tls", is_flag=True, help="Connect with TLS.")
@click.option("--username", help="User name for the broker.")
@click.option("--password-file", type=click.Path(path_type=Path), help="File that holds the broker's password.")
@click.option("--seconds", type=click.FloatRange(0.1, 172_800), default=15.0, show_default=True, help="Time to listen.")
@click.option("--write", "into", metavar="NEW.toml", type=click.Path(path_type=Path), help="Start a home file here.")
@click.option("--force", is_flag=True, help="Overwrite that file if it exists.")
@click.option("--sign-test", is_flag=True, help="Ask for a kettle to be switched on, and find the meter's sign by it.")
@json_option
def listen(
    home_file: Path | None,
    host: str | None,
    port: int | None,
    tls: bool,
    username: str | None,
    password_file: Path | None,
    seconds: float,
    into: Path | None,
    force: bool,
    sign_test: bool,
    as_json: bool,
) -> None:
    """Show topics heard and their values, and guess which signals they are.

    The home file needs only its [broker] table yet. Without that table it listens to the broker that `brimful run`
    brings along, while that runs; without a home file, --host says where the broker is.

    It guesses by name, unit, range and behaviour, and says what is doubtful. Longer is better: a minute is enough to
    tell counters from powers, a night to check signs by the balance of grid, house and battery, a day to find the
    units of counters. Nothing is published.
    """
    if into is not None and into.exists() and not force:
        cause = "expected a file that is not there yet, got one that is"
        raise BrimfulError(OP, str(into), cause, "name another, or add --force to overwrite it")
    where = _where(home_file, host, port, tls, username, password_file)
    click.echo(f"listening to {where.broker} for {duration(seconds)}", err=True)
    kettle: list[tuple[float, float]] = []
    found = survey(where.broker, seconds, wait=_with_kettle(kettle) if sign_test else time.sleep)
    heard = found.readable()
    known = examined(heard, kettle[0] if kettle else None)
    if as_json:
        echo_json(_answer(found, known))
    else:
        _show(found, known)
    if into is not None:
        write(_text(where, into, found, known), into, force=force)
        doubtful = sum(bool(guess.doubts) for guess in known.guesses)
        said = f"written: {into}, with {counted(len(known.guesses), 'signal')} guessed, {doubtful} of them doubtful"
        click.echo(
            fitted(f"{said}. Look at each line marked DOUBTFUL or NOT HEARD, then: brimful check {into}"), err=True
        )


def _where(
    home_file: Path | None, host: str | None, port: int | None, tls: bool, username: str | None, secret: Path | None
) -> _Where:
    raw: Mapping[str, Any]
    if host is not None:
        if home_file is not None:
            raise BrimfulError(OP, "--host", "expected a home file or --host, got both")
        given = {"host": host, "port": port, "tls": tls, "username": username}
        given["password_file"] = None if secret is None else str(secret)
        raw = {"broker": {key: value for key, value in given.items() if value is not None}}
        home = made_broker(raw, Path("listen"))  # relative paths are the command's
    elif home_file is None:
        raise BrimfulError(OP, "broker", "expected a home file or --host, got neither", "see brimful listen --help")
    else:
        raw = toml(read_bytes(home_file), home_file)
        home = made_broker(raw, home_file)
    broker = present_broker(home)
    if broker is None:
        cause = "expected a [broker] table, or `brimful run` running with its own broker, got neither"
        raise BrimfulError(OP, "broker", cause, f"name your broker, or start: brimful run {home_file}")
    named = home.broker is not None
    file = home.broker.password_file if home.broker is not None else None
    about = raw.get("home")
    return _Where(broker, home.path_of(file) if file else None, named, about if isinstance(about, dict) else {})


def _with_kettle(kettle: list[tuple[float, float]]) -> Callable[[float], None]:
    """Wait, ask for the kettle, wait again; notes between which two instants it went on."""

    def wait(seconds: float) -> None:
        time.sleep(seconds)
        asked_s = time.monotonic()
        question = "Switch a kettle on now, full of water, and nothing else. Then press Enter"
        click.prompt(question, default="", show_default=False, err=True)
        kettle.append((asked_s, time.monotonic()))
        time.sleep(_KETTLE_S)

    return wait


def _text(where: _Where, into: Path, found: Survey, known: Examined) -> str:
    def given(key: str) -> str | None:
        value = where.home.get(key)
        return value if isinstance(value, str) and value else None

    lines = broker_lines(where.broker, where.password_file, into) if where.named else ()
    zone = given("timezone") or machine_timezone()
    facts = Facts(given("name"), zone, given("currency"), lines, found.seconds, known.notes)
    return draft(facts, known.guesses, found.readable())


def machine_timezone() -> str | None:
    """The IANA time zone that this machine is set to, None where it does not say."""
    name = os.environ.get("TZ", "").lstrip(":")
    if not name:
        name = os.path.realpath("/etc/localtime").partition("/zoneinfo/")[2]
    return name if "/" in name or name == "UTC" else None


def _answer(found: Survey, known: Examined) -> dict[str, Any]:
    return {
        "schema": "brimful.listen/1",
        "topics": {topic: _topic(heard) for topic, heard in sorted(found.topics.items())},
        "left_out": found.left_out,
        "suggested": signals_table(known.guesses),
        "signals": [_signal(guess) for guess in known.guesses],
        "notes": list(known.notes),
    }


def _topic(heard: Topic) -> dict[str, Any]:
    period_s = heard.period_s
    return {
        "count": heard.count,
        "retained": heard.retained,
        "period_s": None if period_s is None else round(period_s, 3),
        "payload": heard.payload[:200].decode("utf-8", "replace"),
        "pointers": [part.pointer for part in members(heard.payload)],
    }


def _signal(guess: Suggestion) -> dict[str, Any]:
    return {
        "signal": guess.source.signal,
        "topic": guess.source.topic,
        "pointer": guess.source.pointer,
        "minus_pointer": guess.source.minus_pointer,
        "scale": guess.source.scale,
        "value": guess.value,
        "why": guess.why,
        "doubts": list(guess.doubts),
        "alternatives": [{"topic": one.topic, "pointer": one.pointer} for one in guess.alternatives],
    }


def _show(found: Survey, known: Examined) -> None:
    for topic, heard in sorted(found.topics.items()):
        shown = heard.payload[:_SHOWN].decode("utf-8", "replace")
        click.echo(visible(f"# {topic}  ({heard.count}, {pace(heard)})  {shown}"))
        pointers = [part.pointer for part in members(heard.payload) if part.pointer]
        if pointers:
            more = f" and {len(pointers) - _MOST_SHOWN_MEMBERS} more" if len(pointers) > _MOST_SHOWN_MEMBERS else ""
            click.echo(visible(f"#     {' '.join(pointers[:_MOST_SHOWN_MEMBERS])}{more}"))
    for line in (*found.faults, *known.notes):
        click.echo(visible(line), err=True)
    click.echo()
    click.echo(signals_table(known.guesses), nl=False)
