"""stock: the heat in the tank as an inventory, and what became of it."""

from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import click

from accounting.heat.inventory import NOTHING, Lots, total
from accounting.heat.loss_fit import CONFIDENCE, Loss, fit_tape
from accounting.heat.tank_book import tolerance_wh
from accounting.ledger import Ledger
from accounting.ledger.tape import unpack
from accounting.model.journal import UNEXPLAINED
from accounting.model.periods import BY, By
from accounting.reports.heat_stock import StockReport, StockRow, average_cost, stock_report
from accounting.reports.heat_stock_statement import as_csv, shares
from accounting.valuation.settings import TankBooks
from daemon.cli.options import echo_json, fitted, home_option, json_option
from daemon.config.load import load
from daemon.config.model import Home
from daemon.documents.stock_document import heat_stock, loss_basis, stock_answer
from daemon.documents.times import instant, period
from rules.model.errors import BrimfulError
from rules.model.formatting import percent, rounded_percent

_PUZZLING = 0.05
"""Share of what was received from which on unexplained heat is remarked on."""
FIT_DAYS = 60
"""Days of recorded minutes that a fit looks through."""


@click.command()
@click.option("--by", type=click.Choice(BY), help="A row for each; without it, one statement of the whole.")
@click.option("--from", "from_", metavar="TIME", help="Start: a date, or a time with offset. Default: all.")
@click.option("--to", metavar="TIME", help="End, not included: a date is its first instant. Default: all.")
@click.option("--ledger", type=click.Path(path_type=Path), help="The ledger, if not the home file's.")
@click.option("--fit", is_flag=True, help=f"Fit the standing loss to how the tank cooled, of {FIT_DAYS} days at most.")
@click.option("--csv", "as_table", is_flag=True, help="Print CSV.")
@home_option
@json_option
def stock(
    by: By | None,
    from_: str | None,
    to: str | None,
    ledger: Path | None,
    fit: bool,
    as_table: bool,
    home: Path,
    as_json: bool,
) -> None:
    """The heat stock's accounts over a period.

    Opening stock, received, drawn, lost and closing stock, each with energy, cost, carbon and share by source. Settled
    intervals only.
    """
    loaded = load(home)
    tank = heat_stock(loaded)
    zone = ZoneInfo(loaded.home.timezone)
    from_s, to_s = (None if text is None else instant(text, zone) for text in (from_, to))
    if from_s is not None and to_s is not None and to_s <= from_s:
        raise BrimfulError("read the ledger", "--to", f"expected a time after {from_}, got {to}")
    with Ledger.open_reader(ledger or loaded.path_of(loaded.ledger.path)) as books:
        report = stock_report(books, tank, by, from_s, to_s, loaded.home.timezone)
        loss = _fit(books, tank, report) if fit else None
    if as_json:
        echo_json(stock_answer(report, tank, loaded, loss))
    elif as_table:
        click.echo(as_csv(report), nl=False)
    else:
        show_stock(report, tank, loaded)
        if fit:
            click.echo(fitted(_fit_sentence(loss, metered=tank.water is not None)))


def _fit(books: Ledger, tank: TankBooks, report: StockReport) -> Loss | None:
    """The loss that the recorded minutes of the span's last days show."""
    to_s = report.total.end_s
    from_s = max(report.total.start_s, to_s - FIT_DAYS * 86_400)
    return fit_tape(unpack(books.tape(from_s, to_s), from_s, to_s), tank, report.zone)


def _fit_sentence(loss: Loss | None, *, metered: bool) -> str:
    """metered: whether a water meter shows when nobody draws."""
    if loss is None:
        return "No quiet hours to fit the standing loss to: nothing drawn and nothing heated for 4 h."
    advice = f"to go by it, set tank.loss_w = {loss.loss_w:.1f}."
    high = "" if metered else "Without a water meter small draws at night count as loss, so it may be too high. "
    if loss.low_w_per_k is None or loss.high_w_per_k is None:
        rest = "More runs would show how sure that is"
        return f"Fitted to one quiet run of {loss.hours:.0f} h: {loss.ua_w_per_k:.3f} W/K. {high}{rest}; {advice}"
    between = f"{loss.low_w_per_k:.3f} to {loss.high_w_per_k:.3f} with {rounded_percent(CONFIDENCE)} confidence"
    runs = f"Fitted to {loss.runs} quiet runs of {loss.hours:.0f} h in all: {loss.ua_w_per_k:.3f} W/K"
    return f"{runs}, {between}. {high}{advice[0].upper()}{advice[1:]}"


def show_stock(report: StockReport, tank: TankBooks, home: Home) -> None:
    """The report as a statement that fits 80 columns."""
    click.echo(f"{home.home.name}: the heat stock")
    whole = report.total
    if not whole.known_s:
        click.echo("Nothing is booked yet.")
        return
    for line in _table(report) if report.by is not None else _statement(whole, report, home.home.currency):
        click.echo(line)
    click.echo()
    for sentence in _sentences(whole, tank, home):
        click.echo(fitted(sentence))


def _statement(row: StockRow, report: StockReport, currency: str) -> list[str]:
    start, end = (f"{datetime.fromtimestamp(at_s, report.zone):%Y-%m-%d %H:%M}" for at_s in (row.start_s, row.end_s))
    lines = [f"{f'{start} to {end}':<34}{'kWh':>11}{currency:>11}{'kg CO2e':>11}{'share':>9}"]
    for label, lots, sign in (
        ("opening stock", row.opening, 1),
        ("received", row.received, 1),
        ("drawn", row.drawn, -1),
        ("lost", row.lost, -1),
        ("unexplained", row.unexplained, -1),
        ("closing stock", row.closing, 1),
    ):
        if label == "unexplained" and not lots:
            continue
        lines.append(_line(label, lots, sign))
        share = {source: rounded_percent(float(part), 1) for source, part in shares(lots).items()}
        lines += [
            _line(f"  {source}", {source: lot}, sign, share.get(source, ""))
            for source, lot in sorted(lots.items(), key=lambda item: -item[1].wh)
            if len(lots) > 1 or label == "received"
        ]
    cost = average_cost(row.closing)
    if cost is not None:
        lines.append(f"{'average cost of a kWh on hand':<34}{'':>11}{float(cost):>11.4f}")
    return lines


def _line(label: str, lots: Lots, sign: int, share: str = "") -> str:
    lot = total(lots.values())
    kwh, money, kg = (sign * amount + 0.0 for amount in (lot.wh / 1000, lot.micro / 1e6, lot.mg / 1e6))  # no −0
    return f"{label:<34}{kwh:>11.3f}{money:>11.2f}{kg:>11.2f}{share:>9}".rstrip()


def _table(report: StockReport) -> list[str]:
    heads = ("opening", "received", "drawn", "lost", "unexpl.", "closing")
    lines = [f"{'kWh':<20}" + "".join(f"{head:>10}" for head in heads)]
    for row in (*report.rows, report.total):
        name = "total" if row is report.total else period(row.start_s, report.by, report.zone)
        accounts = (row.opening, row.received, row.drawn, row.lost, row.unexplained, row.closing)
        lines.append(f"{name:<20}" + "".join(f"{total(lots.values()).wh / 1000:>10.3f}" for lots in accounts))
    return lines


def _sentences(row: StockRow, tank: TankBooks, home: Home) -> list[str]:
    said = []
    if row.used is not None:
        said.append(f"Of the diverted heat that left the tank, {rounded_percent(float(row.used), 1)} was drawn.")
    if row.used_by_loss is not None:
        said.append(f"The hotter tank lost {row.additional_loss_wh / 1000:.3f} kWh more than without it.")
    puzzling_wh = row.received.get(UNEXPLAINED, NOTHING).wh
    if puzzling_wh > total(row.received.values()).wh * _PUZZLING and len(tank.temperatures) < 2:
        said.append(
            "Much heat was received unexplained: a level shows only water that is hot enough, so lukewarm water counts "
            "as drawn, and as received when it is hot again. Two temperatures show more."
        )
    metered = row.metered_s / row.known_s
    how = "by the water meter" if metered == 1 else "inferred" if not metered else f"{rounded_percent(metered)} metered"
    said.append(f"Draw {how}; level measured for {percent(row.measured_s / row.known_s * 100)} of the time.")
    said.append(f"Standing loss {tank.ua_w_per_k:.3f} W/K: {loss_basis(home)}.")
    said.append(f"The stock is within {tolerance_wh(tank) / 1000:.3f} kWh of what the level shows.")
    said.append("Where the level wavers, it is within three times its spread.")
    return said
