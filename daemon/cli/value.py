"""Questions to the ledger: value, and the decision that stood at a time. Read-only; they need no running daemon."""

from decimal import ROUND_HALF_EVEN, Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from accounting.ledger import Ledger
from accounting.model.periods import BY, By
from accounting.reports.used_share import UsedBasis
from accounting.reports.value import ValueReport, ValueRow
from accounting.reports.value_statement import as_csv
from daemon.cli.options import echo_json, home_option, json_option, print_whole, statement_console
from daemon.config.load import load
from daemon.config.model import Home
from daemon.documents.decision_document import finding_answer
from daemon.documents.times import instant, iso, period
from daemon.documents.value_document import lacking_carbon, value_answer
from daemon.documents.value_notes import displaced_text, notes, used_text
from daemon.documents.valuing import Valued, home_value
from daemon.recording.mode_note import mode_at
from daemon.web.api.client import have_written
from rules.model.errors import BrimfulError
from rules.model.formatting import percent
from rules.model.orders import Order

_USED: dict[str, UsedBasis] = {"stated": "stated", "measured": "measured", "additional-loss": "additional loss"}


@click.command()
@click.option("--by", type=click.Choice(BY), default="day", show_default=True, help="Length of a row.")
@click.option("--from", "from_", metavar="TIME", help="Start: a date, or a time with offset. Default: all.")
@click.option("--to", metavar="TIME", help="End, not included: a date is its first instant. Default: all.")
@click.option("--as-of", metavar="TIME", help="As it was settled and valued then. Default: now.")
@click.option("--ledger", type=click.Path(path_type=Path), help="The ledger, if not the home file's.")
@click.option("--used", type=click.Choice(_USED), help="Whose share of used heat. Default: see above.")
@click.option("--csv", "as_table", is_flag=True, help="Print CSV.")
@home_option
@json_option
def value(
    by: By,
    from_: str | None,
    to: str | None,
    as_of: str | None,
    ledger: Path | None,
    used: str | None,
    as_table: bool,
    home: Path,
    as_json: bool,
) -> None:
    """What the diverted energy was worth.

    Given up is the export income it cost, avoided the purchase it saved, net the difference. The interval in progress
    is included and marked open. The share of the heat that counts as used is the home file's (stated) or, where it
    states none and a heat stock is kept, the stock's, month by month: what was drawn of it (measured). On request it is
    all but what the hotter tank lost more (additional-loss), a lower bound where the displaced source would have stored
    its heat in the tank too. With --as-of the interval in progress is left out: its figures are kept only once it is
    settled.
    """
    loaded = load(home)
    zone = ZoneInfo(loaded.home.timezone)
    from_s, to_s, as_of_s = (None if text is None else instant(text, zone) for text in (from_, to, as_of))
    if from_s is not None and to_s is not None and to_s <= from_s:
        raise BrimfulError("read the ledger", "--to", f"expected a time after {from_}, got {to}")
    if ledger is None and as_of_s is None:
        have_written(home)
    basis = None if used is None else _USED[used]
    with Ledger.open_reader(ledger or loaded.path_of(loaded.ledger.path)) as books, books.still():
        valued = home_value(books, loaded, by, from_s, to_s, as_of_s, basis)
    if as_json:
        as_of_key = {} if as_of_s is None else {"as_of": iso(as_of_s)}
        echo_json({**value_answer(valued, loaded), **as_of_key})
    elif as_table:
        click.echo(as_csv(valued.report), nl=False)
    else:
        show_value(valued, loaded)


def show_value(valued: Valued, home: Home) -> None:
    """The report as a table that fits 80 columns, with sentences on what it rests on."""
    from rich.table import Table

    report = valued.report
    carbonless = lacking_carbon(home)
    table = Table(box=None, pad_edge=False, padding=(0, 1), header_style="bold", show_footer=True)
    places = 4 if report.by == "interval" else 2
    total = _cells(report.total, places, not carbonless)
    for name, foot, justify in zip(
        _heads(home.home.currency), ("total", *total), ("left", *["right"] * 7), strict=True
    ):
        table.add_column(name, footer=foot, justify=justify, no_wrap=True)  # type: ignore[arg-type]
    for row in report.rows:
        table.add_row(period(row.start_s, report.by, report.zone), *_cells(row, places, not carbonless))
    console = statement_console()
    console.print(f"{home.home.name}: what the diverted energy was worth", style="bold")
    if not report.rows:
        console.print("Nothing is booked yet.")
        return
    print_whole(console, table)
    console.print(f"Displaces {displaced_text(valued, home)}; {used_text(valued)}.")
    if carbonless:
        console.print(f"Carbon is not counted: no factor is given for {carbonless}.")
    marks = [
        f"{wh / 1000:.3f} kWh {what}"
        for wh, what in (
            (report.total.open_wh, "not settled yet"),
            (report.total.estimated_wh, "estimated over gaps"),
        )
        if wh
    ]
    if marks:
        console.print(f"Of it {', '.join(marks)}.")
    for sentence in (
        *set_aside_sentence(report),
        *notes(valued, home),
        *_also(report.total, home.home.currency),
    ):
        console.print(sentence)


def set_aside_sentence(report: ValueReport) -> list[str]:
    """What the counters show beside what is booked, if anything."""
    total = report.total
    if not total.set_aside_wh:
        return []
    heaters = report.set_aside
    whose = f" ({', '.join(f'{name} {wh / 1000:.3f}' for name, wh in heaters.items())})" if len(heaters) > 1 else ""
    shown = (total.diverted_wh + total.set_aside_wh) / 1000
    return [
        f"The counters show {shown:.3f} kWh: {total.diverted_wh / 1000:.3f} booked and {total.set_aside_wh / 1000:.3f} "
        f"set aside{whose}, more than the heater can have taken in the time."
    ]


def _also(total: ValueRow, currency: str) -> list[str]:
    """What most reports need not say."""
    said = []
    if total.grid_wh or total.battery_wh:
        gave = [(total.grid_wh, "grid"), (total.battery_wh, "battery")]
        whence = " and ".join(f"{wh / 1000:.3f} kWh from the {name}" for wh, name in gave if wh)
        said.append(f"While diverting {whence}, for {total.bought_micro / 1e6:.2f} {currency}; net is less by that.")
    if total.marginal_wh:
        given_up = (total.given_up_marginal_mg + total.bought_marginal_mg) / 1e6
        avoided = total.avoided_marginal_mg / 1e6
        said.append(
            f"By marginal factors, of {total.marginal_wh / 1000:.3f} kWh: avoided {avoided:.2f} kg CO2e, given up "
            f"{given_up:.2f}, net {total.net_marginal_mg / 1e6:+.2f}."
        )
    return said


def _heads(currency: str) -> tuple[str, ...]:
    return ("", "kWh", "given up", "avoided", f"net {currency}", "kg CO2e", "measured", "")


def shown_money(row: ValueRow, places: int) -> tuple[str, str, str]:
    """Given up, avoided and net as the table shows them, so that avoided less given up (less what was bought) is net.

    places: decimals. Avoided and net are rounded from the exact figures; given up takes the rounding's remainder, at
    most one unit of the last place (two where something was bought): the JSON and CSV have the exact figures. Income
    given up that is none is never shown below zero; only beside something bought may the row then be a unit out.
    """
    avoided, bought, net = (
        Decimal(micro).scaleb(-6).quantize(Decimal(1).scaleb(-places), ROUND_HALF_EVEN)
        for micro in (row.avoided_micro, row.bought_micro, row.net_micro)
    )
    given_up = avoided - bought - net
    if row.given_up_micro >= 0:
        given_up = max(given_up, Decimal(0))
    return f"{given_up:z.{places}f}", f"{avoided:z.{places}f}", f"{net:+z.{places}f}"


def _cells(row: ValueRow, places: int, carbon: bool) -> tuple[str, ...]:
    mark = ("~" if row.estimated_wh else "") + ("…" if row.open_wh else "")
    return (
        f"{row.diverted_wh / 1000:.3f}",
        *shown_money(row, places),
        f"{row.net_mg / 1e6:+.2f}" if carbon else "–",
        percent(row.coverage * 100),  # rounded down: 100 % says that nothing is missing
        mark,
    )


def decision_then(at: str, home: Path, ledger: Path | None) -> dict[str, Any]:
    """The decision that stood at a time, from the ledger, in the shape of `why`."""
    loaded = load(home)
    at_s = instant(at, ZoneInfo(loaded.home.timezone))
    with Ledger.open_reader(ledger or loaded.path_of(loaded.ledger.path)) as books:
        rows, known_s, mode = books.decision_at(at_s), books.known_until_s(), mode_at(books, at_s)
    if not rows:
        raise BrimfulError("read the ledger", "--at", f"expected a time with a decision on record, got {at}")
    row = next((row for row in rows if row.order is not Order.WITHHOLD), rows[0])
    return {
        "schema": "brimful.why/1",
        "home": loaded.home.name,
        "mode": mode,
        "at": iso(at_s),
        "decided_at": iso(row.at_s),
        "known_until": None if known_s is None else iso(known_s),
        "heater": row.heater,
        "order": row.order.value,
        "watts": row.watts,
        "guard": row.guard,
        "sentence": row.sentence,
        "change": row.change,
        "findings": [finding_answer(finding) for finding in row.findings],
    }
