"""replay: the rules and the books over recorded readings."""

import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from accounting.ledger import LedgerWriter
from accounting.model.periods import BY, By
from daemon.assembly.endpoints import facts
from daemon.assembly.prepared_home import prepare
from daemon.cli.options import echo_json, json_option
from daemon.cli.value import show_value
from daemon.config.load import load
from daemon.config.model import Home
from daemon.documents.times import iso
from daemon.documents.value_document import value_answer
from daemon.documents.valuing import Valued, home_value
from daemon.inputs.readings_file import open_readings
from daemon.inputs.row_order import Disorder
from daemon.simulation.replay import Replay
from rules.model.errors import BrimfulError
from rules.model.formatting import counted, duration


@click.command()
@click.argument("home_file", metavar="HOME.toml", type=click.Path(path_type=Path))
@click.argument("readings", metavar="READINGS", type=click.Path(path_type=Path))
@click.option("--ledger", type=click.Path(path_type=Path), help="Where to keep the books; a new file.")
@click.option("--by", type=click.Choice(BY), default="month", show_default=True, help="Length of a value row.")
@json_option
def replay(home_file: Path, readings: Path, ledger: Path | None, by: By, as_json: bool) -> None:
    """Run the rules and the books over recorded readings, taken as fact.

    READINGS is a CSV file (.csv or .csv.gz): first column `time`, the others signal names, an empty cell no reading.
    """
    loaded = load(home_file)
    made = prepare(loaded)
    if ledger is not None and ledger.exists():
        raise BrimfulError(
            "replay", str(ledger), "expected a name that is free, got an existing file", "books are not overwritten"
        )
    with _scratch(ledger) as draft, open_readings(readings, loaded.heater_names) as file:
        with LedgerWriter.open(draft, facts(loaded)) as books:
            run = Replay(made, file, books)
            _notes(run, readings, file.disorder)
            with _progress(readings) as progress:
                run.run(progress)
            valued = home_value(books, loaded, by)
        refused = file.refusals
        if ledger is not None:
            draft.rename(ledger)
    for signal, count in refused.count.items():
        click.echo(f"{signal}: {counted(count, 'cell')} refused, the first: {refused.first[signal]}", err=True)
    if as_json:
        echo_json(_answer(run, valued, loaded, dict(refused.count), file.disorder, ledger))
    else:
        _show(run, valued, loaded)


@contextmanager
def _scratch(ledger: Path | None) -> Iterator[Path]:
    """A path for the books while they are being made: what ends half way leaves no ledger that looks whole."""
    folder = None if ledger is None else ledger.absolute().parent
    try:
        scratch = tempfile.TemporaryDirectory(dir=folder, prefix=".replay-")
    except OSError as refused:
        cause = f"expected a folder to write in, got {refused.strerror}"
        raise BrimfulError("replay", str(folder or tempfile.gettempdir()), cause) from refused
    with scratch as made:
        yield Path(made) / "replay.sqlite"


def _notes(run: Replay, readings: Path, disorder: Disorder | None) -> None:
    if disorder is not None:
        click.echo(f"{readings.name}: {disorder}", err=True)
    if run.ignored:
        click.echo(f"not in the home file, ignored: {', '.join(run.ignored)}", err=True)
    for signal, limit_s in run.raised.items():
        click.echo(f"{signal}: recorded too coarsely for its stale_after_s; stale after {limit_s:g} s here", err=True)


@contextmanager
def _progress(readings: Path) -> Iterator[Callable[[float], None]]:
    """A line that says how far the replay has come, on a terminal only."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    columns = (SpinnerColumn(), TextColumn("{task.description}"), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(f"{readings.name}")
        yield lambda at_s: bar.update(task, description=f"{readings.name} … {iso(at_s)[:10]}")


def _answer(
    run: Replay,
    valued: Valued,
    home: Home,
    refused: dict[str, int],
    disorder: Disorder | None,
    ledger: Path | None,
) -> dict[str, Any]:
    tally = run.engine.tally
    return {
        "schema": "brimful.replay/1",
        "home": home.home.name,
        "from": iso(run.from_s),
        "to": iso(run.to_s),
        "rows": run.rows,
        "ledger": None if ledger is None else str(ledger),
        "decisions": {
            "changes": tally.changes,
            "seconds_by_order": dict(sorted(tally.by_order.items())),
            "seconds_by_guard": dict(sorted(tally.by_guard.items())),
        },
        "hygiene": run.hygiene,
        "value": value_answer(valued, home),
        "quarantined_kwh": run.quarantined_wh / 1000,
        "refused": refused,
        "ignored": run.ignored,
        "sorted": None if disorder is None else str(disorder),
        "stale_after_s_raised": run.raised,
    }


def _show(run: Replay, valued: Valued, home: Home) -> None:
    tally = run.engine.tally
    show_value(valued, home)
    click.echo()
    click.echo(f"{run.rows} rows, {iso(run.from_s)} to {iso(run.to_s)}; the order changed {tally.changes} times.")
    for order, seconds in sorted(tally.by_order.items()):
        click.echo(f"  {order:<9} {duration(seconds)}")
    click.echo("Decided by")
    for guard, seconds in sorted(tally.by_guard.items(), key=lambda pair: -pair[1]):
        click.echo(f"  {guard:<9} {duration(seconds)}")
    if run.hygiene is not None:
        click.echo(f"At the end: {run.hygiene['sentence']}.")
    if run.quarantined_wh:
        click.echo(f"Set aside as impossible: {run.quarantined_wh / 1000:.3f} kWh.")
