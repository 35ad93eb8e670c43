"""reconcile: whether the time-series database holds what the ledger holds; sends again what it does not."""

import csv
import io
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from accounting.ledger import Ledger, LedgerWriter
from accounting.reports.value_statement import local_iso
from accounting.timeseries import ReadFailed, Target, open_reader, open_writer
from accounting.timeseries.reconcile import COUNTS, MonthRow, Reconciliation, Sums, joined, months, total
from accounting.timeseries.reconcile import reconcile as compare
from daemon.assembly.endpoints import facts, timeseries_target
from daemon.cli.options import echo_json, home_option, json_option, print_whole, statement_console
from daemon.cli.resending import DaemonQueue, OwnQueue, Queue, drain
from daemon.config.load import load
from daemon.config.model import Home
from daemon.documents.times import instant
from daemon.web.api.client import NotRunning, ask
from rules.model.errors import BrimfulError
from rules.model.formatting import counted

SHOWN_WITHIN_S = 12  # as long as a reader waits that may not ask VictoriaMetrics to show what it has
_NAMED = 20  # extra points that are listed by name
_SUMS = (("intervals", "intervals", 0), ("diverted_kwh", "diverted_wh", 3), ("given_up", "given_up_micro", 6),
         ("avoided", "avoided_micro", 6))  # fmt: skip


@click.command()
@click.option("--from", "from_", metavar="TIME", help="Start: a date, or a time with offset. Default: all.")
@click.option("--to", metavar="TIME", help="End, not included: a date is its first instant. Default: all.")
@click.option("--repair", is_flag=True, help="Send again what differs.")
@click.option("--rebuild", is_flag=True, help="Send everything again.")
@click.option("--ledger", type=click.Path(path_type=Path), help="The ledger, if not the home file's.")
@click.option("--csv", "as_table", is_flag=True, help="Print CSV.")
@home_option
@json_option
def reconcile(
    from_: str | None,
    to: str | None,
    repair: bool,
    rebuild: bool,
    ledger: Path | None,
    as_table: bool,
    home: Path,
    as_json: bool,
) -> None:
    """Compare the time-series database with the ledger, by month and heater.

    Exit 1 if something differs. What still waits to be sent does not count as differing. With --repair or --rebuild a
    running daemon is asked to send; without one this command sends, and then compares.
    """
    loaded = load(home)
    target = timeseries_target(loaded)
    if target is None:
        raise BrimfulError("reconcile", "timeseries", f"expected a [timeseries] table, got none ({home.name})")
    zone = ZoneInfo(loaded.home.timezone)
    from_s, to_s = (None if text is None else instant(text, zone) for text in (from_, to))
    if from_s is not None and to_s is not None and to_s <= from_s:
        raise BrimfulError("reconcile", "--to", f"expected a time after {from_}, got {to}")
    work = _Work(loaded, target, ledger or loaded.path_of(loaded.ledger.path), zone, from_s, to_s)
    try:
        report, queued, by_daemon = work.mend(rebuild) if repair or rebuild else (work.compare(), 0, False)
    except (ReadFailed, _Unsent) as failed:
        click.echo(str(failed), err=True)
        sys.exit(1)
    if as_json:
        echo_json(_answer(report, loaded, queued))
    elif as_table:
        click.echo(_csv(report), nl=False)
    else:
        _show(report, loaded, target, queued, by_daemon, mended=repair or rebuild)
    sys.exit(0 if report.equal else 1)


class _Unsent(BrimfulError):
    """The database does not take what it is sent."""


class _Work:
    """One home, one database, one span of time."""

    def __init__(
        self, home: Home, target: Target, ledger: Path, zone: ZoneInfo, from_s: int | None, to_s: int | None
    ) -> None:
        self._home = home
        self._target = target
        self._path = ledger
        self._zone = zone
        self._span = from_s, to_s

    def compare(self, ledger: Ledger | None = None) -> Reconciliation:
        """What stands on either side now."""
        with ExitStack() as stack:
            books = ledger or stack.enter_context(Ledger.open_reader(self._path))
            reader = open_reader(self._target)
            stack.callback(reader.close)
            spans = months(books, self._zone, *self._span, int(time.time()))
            tick = stack.enter_context(_progress("months compared", len(spans)))
            name = self._home.home.name
            found = _counted(compare(books, reader, name, spans, time.sleep), tick)
            return joined(self._zone, spans, found)

    def mend(self, everything: bool) -> tuple[Reconciliation, int, bool]:
        """Queue again what differs, or everything; without a daemon, send it.

        Returns how it stands then, how many were queued, and whether a daemon has them to send.
        """
        if self._daemon_runs():
            with Ledger.open_reader(self._path) as books:
                queued = self._queue(DaemonQueue(self._home.file, self._path), books, everything)
            return self.compare(), queued, True
        if not self._path.is_file():
            Ledger.open_reader(self._path)  # says that there is none; a writer would make one
        with LedgerWriter.open(self._path, facts(self._home)) as own:
            queued = self._queue(OwnQueue(own), own, everything)
            self._send(own)
            found = self.compare(own)
            # A busy VictoriaMetrics shows the first points of a new series only seconds after its yes.
            for _ in range(SHOWN_WITHIN_S):
                if not (queued and found.missing):
                    break
                time.sleep(1)
                found = self.compare(own)
            return found, queued, False

    def _queue(self, queue: Queue, books: Ledger, everything: bool) -> int:
        if not everything:
            report = self.compare(books)
            return queue.again((*report.missing, *report.differing))
        spans = months(books, self._zone, *self._span, int(time.time()))
        return queue.again(key for span in spans for key in books.entry_keys(*span))

    def _send(self, own: LedgerWriter) -> None:
        writer = open_writer(self._target)
        try:
            depth = own.outbox_depth()
            with _progress("intervals sent", depth) as tick:
                drain(own, writer, self._home.home.name, lambda left: tick(depth - left))
        except BrimfulError as failed:
            raise _Unsent(failed.op, failed.subject, failed.cause, failed.hint) from failed
        finally:
            writer.close()

    def _daemon_runs(self) -> bool:
        """Whether the home's own daemon answers; it keeps the home's ledger, not one named by hand."""
        if self._path.resolve() != self._home.path_of(self._home.ledger.path).resolve():
            return False
        try:
            ask(self._home.file, "GET", "/api/rule")
        except NotRunning:
            return False
        return True


def _counted(found: Iterator[Any], tick: Callable[[int], None]) -> Iterator[Any]:
    for count, one in enumerate(found, 1):
        tick(count)
        yield one


@contextmanager
def _progress(what: str, whole: int) -> Iterator[Callable[[int], None]]:
    """How far it has come, on a terminal only."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=whole)
        yield lambda done: bar.update(task, completed=done)


def _answer(report: Reconciliation, home: Home, queued: int) -> dict[str, Any]:
    return {
        "schema": "brimful.reconcile/1",
        "home": home.home.name,
        "currency": home.home.currency,
        "timezone": report.zone.key,
        "equal": report.equal,
        "queued": queued,
        "rows": [{**_dated(row, report.zone), "heater": row.heater, **_figures(row)} for row in report.rows],
        "total": _figures(total(report.rows)),
        "extra_points": [{"start": local_iso(at_s, report.zone), "heater": name} for at_s, name in report.extra],
    }


def _dated(row: MonthRow, zone: ZoneInfo) -> dict[str, str]:
    return {"start": local_iso(row.start_s, zone), "end": local_iso(row.end_s, zone)}


def _figures(row: MonthRow) -> dict[str, Any]:
    sides = (("ledger", row.ledger), ("database", row.database))
    sums = {f"{side}_{name}": _rounded(of, source, places) for side, of in sides for name, source, places in _SUMS}
    return {**sums, **{name: getattr(row, name) for name in COUNTS}}


def _rounded(side: Sums, source: str, places: int) -> int | float:
    value: int = getattr(side, source)
    return value / 10**places if places else value


def _csv(report: Reconciliation) -> str:
    text = io.StringIO()
    empty = MonthRow(0, 0, "", Sums(), Sums())
    writer = csv.DictWriter(text, ("start", "end", "heater", *_figures(empty)), lineterminator="\n")
    writer.writeheader()
    for row in report.rows:
        writer.writerow({**_dated(row, report.zone), "heater": row.heater, **_figures(row)})
    return text.getvalue()


def _show(report: Reconciliation, home: Home, target: Target, queued: int, by_daemon: bool, *, mended: bool) -> None:
    from rich.table import Table

    console = statement_console()
    console.print(f"{home.home.name}: ledger and time-series database", style="bold")
    if not report.rows:
        asked = ", and the database holds nothing of this home" if report.to_s > report.from_s else ""
        console.print(f"Nothing is booked yet{asked}.")
    else:
        table = Table(box=None, pad_edge=False, padding=(0, 1), header_style="bold", show_footer=True)
        whole = total(report.rows)
        heads = ("", "heater", "intervals", "database", "kWh", "database", "")
        foots = ("total", "", *_cells(whole))
        for head, foot, justify in zip(heads, foots, ("left", "left", *["right"] * 4, "left"), strict=True):
            table.add_column(head, footer=foot, justify=justify, no_wrap=head != "")  # type: ignore[arg-type]
        for row in report.rows:
            month = datetime.fromtimestamp(row.start_s, report.zone).strftime("%Y-%m")
            table.add_row(month, row.heater, *_cells(row))
        print_whole(console, table)
    for line in _sentences(report, home, target, queued, by_daemon, mended):
        console.print(line)


def _cells(row: MonthRow) -> tuple[str, ...]:
    marks = [f"{getattr(row, name)} {name.replace('_', ' ')}" for name in COUNTS if getattr(row, name)]
    return (
        str(row.ledger.intervals),
        str(row.database.intervals),
        f"{row.ledger.diverted_wh / 1000:.3f}",
        f"{row.database.diverted_wh / 1000:.3f}",
        ", ".join(marks) or "equal",
    )


def _sentences(
    report: Reconciliation, home: Home, target: Target, queued: int, by_daemon: bool, mended: bool
) -> Iterator[str]:
    if queued:
        yield f"{counted(queued, 'interval')} queued again; " + (
            "the running daemon sends them, 500 every 15 s." if by_daemon else "all that waited has been sent."
        )
    if not report.rows:
        return
    if report.equal:
        waits = f" Still to be sent: {counted(report.to_be_sent, 'interval')}." if report.to_be_sent else ""
        yield f"Both hold the same.{waits}"
        return
    if (report.missing or report.differing) and not mended:
        yield "Send again what differs: brimful reconcile --repair"
    elif any(row.refused for row in report.rows):
        yield "The database refuses some intervals: brimful check says why. Mend that, then repair once more."
    elif report.differing and target.kind == "victoriametrics":
        yield (
            "This kind of database may keep the older of two values for one instant. To have the new ones: delete the "
            f"home's series there ({_selection(home)}), then brimful reconcile --rebuild"
        )
    if report.extra:
        names = ", ".join(f"{heater} {local_iso(at_s, report.zone)}" for at_s, heater in report.extra[:_NAMED])
        more = f" and {len(report.extra) - _NAMED} more" if len(report.extra) > _NAMED else ""
        yield f"In the database alone: {names}{more}. brimful deletes nothing there; {_removal(report, home, target)}"


def _removal(report: Reconciliation, home: Home, target: Target) -> str:
    at_s, heater = report.extra[0]
    if target.kind == "victoriametrics":
        return f"to be rid of them, delete the home's series ({_selection(home)}), then brimful reconcile --rebuild"
    name = home.home.name.replace("\\", "\\\\").replace("'", "\\'")
    return (
        "to be rid of the first, in the database's own query language: "
        f'DELETE FROM "diverted" WHERE "home" = \'{name}\' AND "heater" = \'{heater}\' AND time = {at_s}s'
    )


def _selection(home: Home) -> str:
    name = home.home.name.replace("\\", "\\\\").replace('"', '\\"')
    return f'POST /api/v1/admin/tsdb/delete_series, match[]={{__name__=~"diverted_.+",home="{name}"}}'
