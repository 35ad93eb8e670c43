"""plan: tonight's top-up, what each choice costs, and why. Read-only; it needs no running daemon."""

from pathlib import Path
from zoneinfo import ZoneInfo

import click

from accounting.ledger import Ledger
from daemon.cli.options import echo_json, home_option, json_option
from daemon.config.load import load
from daemon.documents.times import instant
from daemon.planning.answering import plan_answer
from daemon.planning.statement import lines_of
from rules.model.errors import BrimfulError


@click.command()
@click.option("--at", metavar="TIME", help="As of this time, by what was known then. Default: the ledger's end.")
@click.option("--ledger", type=click.Path(path_type=Path), help="The ledger, if not the home file's.")
@home_option
@json_option
def plan(at: str | None, ledger: Path | None, home: Path, as_json: bool) -> None:
    """How much to heat from the grid in the next 24 hours, when, and why.

    By the home's own past (surplus and draw of each half hour, by day of the week and how today has gone so far), its
    prices and, where the home file names one, a forecast of the sun. It only answers: whether the heater is ordered to
    follow is the home file's [plan] mode.
    """
    loaded = load(home)
    with Ledger.open_reader(ledger or loaded.path_of(loaded.ledger.path)) as books:
        if at is not None:
            at_s: float | None = instant(at, ZoneInfo(loaded.home.timezone))
        else:
            at_s = books.known_until_s()
        if at_s is None:
            hint = "the daemon or a replay fills it"
            raise BrimfulError("plan the night", str(books.path), "expected a ledger with readings, got none", hint)
        document = plan_answer(loaded, books, at_s)
    if as_json:
        echo_json(document)
        return
    title, *rest = lines_of(document)
    click.echo(click.style(title, bold=True))
    for line in rest:
        click.echo(line)
