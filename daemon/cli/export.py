"""export: the journal, or the whole ledger, as a file for others; and a whole ledger back from it."""

import os
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TextIO
from zoneinfo import ZoneInfo

import click

from accounting.ledger import Facts, Ledger
from accounting.ledger.copying import put_in_place
from accounting.ledger.dumping import dumped, read_back
from accounting.ledger.records import JournalLine
from accounting.reports.journal_export import as_csv, as_jsonl
from daemon.cli.options import home_option
from daemon.config.load import load
from daemon.documents.times import instant
from rules.model.errors import BrimfulError

_FORMATS = ("csv", "jsonl", "parquet", "ledger")
_OP = "export"


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False, allow_dash=True))
@click.option("--format", "form", type=click.Choice(_FORMATS), help="Default: by the file's ending.")
@click.option("--from", "from_", metavar="TIME", help="Start: a date, or a time with offset. Default: all.")
@click.option("--to", metavar="TIME", help="End, not included: a date is its first instant. Default: all.")
@click.option("--read-back", is_flag=True, help="Make a new ledger, named by --ledger, of FILE.")
@click.option("--ledger", type=click.Path(path_type=Path, dir_okay=False), help="The ledger, if not the home file's.")
@home_option
def export(
    file: Path, form: str | None, from_: str | None, to: str | None, read_back: bool, ledger: Path | None, home: Path
) -> None:
    """Write the journal to FILE (- for stdout): a row for each posting of each version, as csv, jsonl or parquet.

    The format ledger is the whole ledger as one text file; --read-back makes a ledger of it again.
    """
    if read_back:
        if ledger is None or form or from_ or to:
            raise click.UsageError("--read-back takes FILE and --ledger NEW, which must not exist yet, alone")
        _back(file, ledger)
        return
    form = form or file.suffix.removeprefix(".")
    if form not in _FORMATS:
        raise BrimfulError(_OP, str(file), f"expected an ending of {', '.join(_FORMATS)}", "or say --format")
    path = ledger
    zone = None
    if path is None or from_ or to:
        loaded = load(home)
        path = path or loaded.path_of(loaded.ledger.path)
        zone = ZoneInfo(loaded.home.timezone)
    if form == "ledger":
        if from_ or to:
            raise click.UsageError("the format ledger is of the whole ledger: leave out --from and --to")
        with _written(file) as out:
            count = _put((f"{line}\n" for line in dumped(path)), out)
    else:
        from_s = instant(from_, zone) if from_ and zone else -(2**60)
        to_s = instant(to, zone) if to and zone else 2**60
        with Ledger.open_reader(path) as books, books.still():
            facts, lines = books.facts(), books.journal(from_s, to_s)
            if form == "parquet":
                count = _columns(lines, facts, file)
            else:
                with _written(file) as out:
                    count = _put(as_csv(lines) if form == "csv" else as_jsonl(lines, facts.name, facts.currency), out)
    click.echo(f"{file}: {count:,} lines", err=True)


def _back(file: Path, path: Path) -> None:
    try:
        with file.open(encoding="utf-8", errors="replace", newline="\n") as lines:  # what is replaced does not add up
            rows = read_back(lines, file.name, path)
    except OSError as error:
        raise BrimfulError(_OP, str(file), f"cannot be read: {error.strerror}") from error
    click.echo(f"{path}: {rows:,} rows, as they were in {file.name}", err=True)


@contextmanager
def _written(file: Path) -> Iterator[TextIO]:
    """The file gets its name when it is whole."""
    if str(file) == "-":
        yield sys.stdout
        return
    part = file.with_name(f"{file.name}.part")
    try:
        made = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with open(made, "w", encoding="utf-8", newline="") as out:
            yield out
            out.flush()
            os.fsync(out.fileno())
        put_in_place(part, file)
    except OSError as error:
        raise BrimfulError(_OP, str(file), f"cannot be written: {error.strerror}", "check disk and folder") from error
    finally:
        part.unlink(missing_ok=True)


def _columns(lines: Iterable[JournalLine], facts: Facts, file: Path) -> int:
    from accounting.reports.parquet import write

    if str(file) == "-":
        raise click.UsageError("parquet goes into a file, not to stdout")
    part = file.with_name(f"{file.name}.part")
    try:
        os.close(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600))
        count = write(lines, facts.name, facts.currency, part)
        with part.open("rb") as written:
            os.fsync(written.fileno())
        put_in_place(part, file)
    except OSError as error:
        raise BrimfulError(_OP, str(file), f"cannot be written: {error.strerror}", "check disk and folder") from error
    finally:
        part.unlink(missing_ok=True)
    return count


def _put(lines: Iterable[str], out: TextIO) -> int:
    count = 0
    for line in lines:
        out.write(line)
        count += 1
    return count
