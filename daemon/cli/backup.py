"""backup, restore and verify: care of the ledger's file. Only restore writes to it, and never while a daemon does."""

import os
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
from accounting.ledger.proving import Check, Proof
from accounting.ledger.restoring import Restored
from accounting.ledger.restoring import restore as put_back
from accounting.ledger.sealing import DIGEST_BYTES
from accounting.ledger.verifying import damaged
from daemon.cli.options import echo_json, home_option, json_option
from daemon.config.load import load
from daemon.documents.times import iso
from daemon.recording.backups import backup_folder, folder_made

ledger_option = click.option(
    "--ledger", type=click.Path(path_type=Path, dir_okay=False), help="The ledger, if not the home file's."
)


def digest_given(ctx: click.Context, param: click.Parameter, value: str | None) -> bytes | None:
    """A digest as it may be written down: spaces and capitals do not count."""
    if value is None:
        return None
    try:
        found = bytes.fromhex("".join(value.split()).lower())
    except ValueError:
        found = b""
    if len(found) != DIGEST_BYTES:
        raise click.BadParameter(f"expected {2 * DIGEST_BYTES} hexadecimal digits, got {value[:80]!r}")
    return found


@click.command()
@click.argument("named", metavar="[DEST]", type=click.Path(), default="")
@ledger_option
@home_option
@json_option
def backup(named: str, ledger: Path | None, home: Path, as_json: bool) -> None:
    """Back the ledger up, also while the daemon runs, and verify the copy.

    DEST is a folder (one that is not there yet is made, if its name ends with a slash), or a new file; without it the
    home file's folder for backups, which the daemon thins out.
    """
    dest = Path(named) if named else None
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
    if dest is not None and named.endswith(os.sep):
        folder_made(dest, ours=True)
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
    def at(utc_s: float | None) -> str | None:
        return None if utc_s is None else iso(utc_s)

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
@click.option("--against", metavar="DIGEST", callback=digest_given, help="The last digest, as noted some time ago.")
@ledger_option
@home_option
@json_option
def verify(against: bytes | None, ledger: Path | None, home: Path, as_json: bool) -> None:
    """Look the whole ledger through, a line for each check. Exit 1 if something is wrong.

    It reads everything: the file's structure, each row's digest, the chain over all that is booked, balances, totals,
    what waits, what was recorded. The chain's last digest is worth noting down elsewhere: with --against that digest,
    a later look proves that nothing booked before it has been changed, dropped or added since.
    """
    path = ledger
    if path is None:
        loaded = load(home)
        path = loaded.path_of(loaded.ledger.path)
    try:
        with Ledger.open_reader(path) as books:
            checks, proof = books.verify(against)
    except LedgerError as error:
        if not error.damaged:
            raise
        checks, proof = (damaged(error),), None
    well = all(check.ok for check in checks) and (against is None or (proof is not None and proof.until_s is not None))
    if as_json:
        echo_json({"schema": "brimful.verify/1", "ledger": str(path), "ok": well, **_verified(checks, proof, against)})
    else:
        for check in checks:
            click.echo(f"{'ok  ' if check.ok else 'BAD '} {check.name:<11} {check.found}")
            for problem in check.problems:
                click.echo(textwrap.fill(problem, 80, initial_indent="     ", subsequent_indent="       "))
        if against is not None:
            click.echo(_against(proof))
        if not checks[0].ok:
            click.echo("The rest was not looked at. Keep the file as it is, and restore a backup.")
    sys.exit(0 if well else 1)


def _verified(checks: tuple[Check, ...], proof: Proof | None, against: bytes | None) -> dict[str, Any]:
    head = None if proof is None else proof.head
    document: dict[str, Any] = {
        "checks": [
            {"name": check.name, "ok": check.ok, "found": check.found, "problems": list(check.problems)}
            for check in checks
        ],
        "digest": head.digest.hex() if head is not None and head.batch else None,
        "digest_at": iso(head.at_s) if head is not None and head.batch else None,
    }
    if against is not None:
        until_s = None if proof is None else proof.until_s
        document["against"] = {
            "digest": against.hex(),
            "found": until_s is not None,
            "booked_until": None if until_s is None else iso(until_s),
        }
    return document


def _against(proof: Proof | None) -> str:
    if proof is None or proof.until_s is None:
        said = "the chain of this ledger has no such digest. It is another ledger's, it was mistyped, or "
        said += "something booked before it was noted has been changed, dropped or added since."
        return textwrap.fill(f"BAD  against     {said}", 80, subsequent_indent="       ")
    return f"ok   against     what was booked up to {_local(proof.until_s)} is as it was then"


def _local(at_s: float | None) -> str:
    """An instant in this machine's own time; with the offset, so that nobody has to guess."""
    return "?" if at_s is None else datetime.fromtimestamp(at_s).astimezone().isoformat(" ", "minutes")
