"""backup, restore and verify: care of the ledger's file. Only restore writes to it, and never while a daemon does."""

import sys
import textwrap
import time
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from accounting.ledger import Ledger, LedgerError
from accounting.ledger.backup import back_up
from accounting.ledger.errors import looking
from accounting.ledger.restoring import Restored
from accounting.ledger.restoring import restore as put_back
from accounting.ledger.verifying import damaged
from daemon.cli.options import echo_json, home_option, json_option
from daemon.config.load import load
from daemon.documents.times import iso
from daemon.recording.backups import backup_folder, folder_made

ledger_option = click.option(
    "--ledger", type=click.Path(path_type=Path, dir_okay=False), help="The ledger, if not the home file's."
)


@click.command()
@click.argument("dest", type=click.Path(path_type=Path), required=False)
@ledger_option
@home_option
@json_option
def backup(dest: Path | None, ledger: Path | None, home: Path, as_json: bool) -> None:
    """Back the ledger up, also while the daemon runs, and verify the copy.

    DEST is a folder, or a new file; without it the home file's folder for backups, which the daemon thins out.
    """
    if ledger is not None:
        path, folder, default = ledger, ledger.with_name("backups"), True
    else:
        loaded = load(home)
        path = loaded.path_of(loaded.ledger.path)
        folder, default = backup_folder(loaded), loaded.ledger.backup.folder is None
    with looking("back up the ledger", path):
        has_ledger = path.is_file()
    if dest is None and has_ledger:
        folder_made(folder, default)
    made = back_up(path, dest or folder, time.time())
    if as_json:
        echo_json(
            {
                "schema": "brimful.backup/1",
                "ledger": str(path),
                "backup": str(made.backup.path),
                "at": iso(made.backup.at_s),
                "size_bytes": made.size_bytes,
                "entries": made.holds["entry"],
                "verified": True,
            }
        )
        return
    click.echo(f"{made.backup.path}")
    click.echo(f"{made.holds['entry']:,} entries, {made.size_bytes / 1e6:,.1f} MB; verified against the ledger.")


@click.command()
@click.argument("backup_file", metavar="BACKUP", type=click.Path(path_type=Path, dir_okay=False))
@ledger_option
@home_option
@json_option
def restore(backup_file: Path, ledger: Path | None, home: Path, as_json: bool) -> None:
    """Put a backup in the ledger's place, with the daemon stopped.

    The backup is verified first and stays where it is; the present file is set aside under another name.
    """
    path = ledger
    if path is None:
        loaded = load(home)
        path = loaded.path_of(loaded.ledger.path)
    now_s = time.time()
    done = put_back(backup_file, path, now_s)
    missing_to_s = done.known_before_s if done.known_before_s is not None else now_s
    if as_json:
        echo_json(_answer(done, backup_file, path, missing_to_s))
        return
    click.echo(f"{path.name} is now the backup {backup_file.name}.")
    if done.first_s is None:
        click.echo("Nothing is booked in it.")
    else:
        click.echo(f"Its books go from {_local(done.first_s)} to {_local(done.end_s)}.")
    if done.known_until_s is not None and missing_to_s > done.known_until_s:
        click.echo(f"Missing: {_local(done.known_until_s)} to {_local(missing_to_s)}, and what came since.")
    click.echo("The next reading of each heater's energy counter brings the energy since then")
    click.echo("back, as estimated; a heater metered by power alone gets none of it back.")
    click.echo("Decisions, alarms and recorded minutes of that time are gone, and an override")
    click.echo("given before it may stand again: see `brimful why` when the daemon runs.")
    click.echo("Points already sent to a time-series database stay there until the same")
    click.echo("intervals are booked and sent again.")
    if done.aside:
        click.echo(f"The former file is kept, with what belongs to it: {done.aside[0]}")


def _answer(done: Restored, backup_file: Path, path: Path, missing_to_s: float) -> dict[str, Any]:
    def at(told_s: float | None) -> str | None:
        return None if told_s is None else iso(told_s)

    missing = done.known_until_s is not None and missing_to_s > done.known_until_s
    return {
        "schema": "brimful.restore/1",
        "ledger": str(path),
        "backup": str(backup_file),
        "start": at(done.first_s),
        "end": at(done.end_s),
        "known_until": at(done.known_until_s),
        "missing_from": at(done.known_until_s) if missing else None,
        "missing_to": at(missing_to_s) if missing else None,
        "set_aside": [str(part) for part in done.aside],
    }


@click.command()
@ledger_option
@home_option
@json_option
def verify(ledger: Path | None, home: Path, as_json: bool) -> None:
    """Look the whole ledger through, a line for each check. Exit 1 if something is wrong.

    It reads everything: the file's structure, versions, balances, totals, heaters, what waits, what was recorded.
    """
    path = ledger
    if path is None:
        loaded = load(home)
        path = loaded.path_of(loaded.ledger.path)
    try:
        with Ledger.open_reader(path) as books:
            checks = books.verify()
    except LedgerError as error:
        if not error.damaged:
            raise
        checks = [damaged(error)]
    if as_json:
        echo_json(
            {
                "schema": "brimful.verify/1",
                "ledger": str(path),
                "ok": all(check.ok for check in checks),
                "checks": [
                    {"name": check.name, "ok": check.ok, "found": check.found, "problems": list(check.problems)}
                    for check in checks
                ],
            }
        )
    else:
        for check in checks:
            click.echo(f"{'ok  ' if check.ok else 'BAD '} {check.name:<11} {check.found}")
            for problem in check.problems:
                click.echo(textwrap.fill(problem, 80, initial_indent="     ", subsequent_indent="       "))
        if not checks[0].ok:
            click.echo("The rest was not looked at. Keep the file as it is, and restore a backup.")
    sys.exit(0 if all(check.ok for check in checks) else 1)


def _local(at_s: float | None) -> str:
    """An instant in this machine's own time; with the offset, so that nobody has to guess."""
    return "?" if at_s is None else datetime.fromtimestamp(at_s).astimezone().isoformat(" ", "minutes")
