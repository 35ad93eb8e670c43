"""The demo's house lived through, minute by minute, with a fair comparison; its ledger; and what diverting truly saves.

The truth is the same house, weather and habits lived through twice more: diverting every day, and never.
"""

from datetime import date, datetime, timedelta
from pathlib import Path

from accounting.books.booking import Books
from accounting.ledger import Batch, Facts, LedgerWriter
from accounting.ledger.tape import TapeRecorder
from accounting.model.periods import midnight_s
from accounting.reports.written_comparison import news
from daemon.assembly.prepared_home import prepare
from daemon.config.build import comparison_blocks
from daemon.config.load import load
from daemon.config.model import Home
from daemon.control.engine import Engine
from daemon.control.signal_state import Board
from daemon.simulation.house.simulated import DEMO, DemoHouse
from rules.model.memory import Memory
from rules.model.orders import Order
from rules.model.reading import Moment, Reading

DEMO_HOME = Path(__file__).parents[2] / "daemon" / "demo" / "home.toml"
STEP_S = 60
FIRST = date(2026, 4, 2)
Costs = dict[date, float]
ORDERS = {Order.WITHHOLD: b"no", Order.SURPLUS: b"yes", Order.HEAT: b"yes"}


def home_file(folder: Path, pairs: int, seed: int) -> Path:
    """The demo's home with a comparison; its heat comes from the sun or from the night's timer, as in the house."""
    text = DEMO_HOME.read_text()
    head, _ = text.split("[[displaces]]", 1)
    path = folder / "larch.toml"
    path.write_text(
        f"{head}[[displaces]]\nsource = 'night electricity'\nshare = 1\ntariff = 'import'\nwhen = 'next night'\n"
        f"[rules.alternate]\nfrom = {FIRST}\npairs = {pairs}\nseed = {seed}\n[ledger]\npath = 'larch.sqlite'\n"
    )
    return path


def lived(home: Home, days: int, seed: int, ledger: LedgerWriter | None = None, *, diverts: bool = True) -> Costs:
    """What each day cost at the meters, by the truth of the house. ledger: where its books go; diverts: False for
    never, whatever the rules say."""
    made = prepare(home)
    start_s = midnight_s(FIRST, DEMO.timezone) - 86_400
    house = DemoHouse(seed, start_s)
    books, tape = Books(made.books), TapeRecorder()
    engine = Engine(made.rules, Board(made.rules, made.wiring), books, Memory())
    imports, exports = made.books.imports, made.books.export
    assert imports is not None
    assert exports is not None
    cost: dict[date, float] = {}
    bought = sold = 0.0
    for at_s in range(int(start_s) + STEP_S, int(start_s) + (days + 1) * 86_400 + STEP_S, STEP_S):
        house.advance(float(STEP_S))
        now = Moment(float(at_s), float(at_s))
        readings = [Reading(name, value, now.utc_s, now.mono_s) for name, value in _heard(house).items()]
        for reading in readings:
            tape.note(reading.signal, reading.at_s, reading.value)
        decision = engine.hear(readings, now)
        house.obey(ORDERS[decision.lead.order] if diverts else b"no")
        if at_s % 1800 == 0:
            totals = house.totals
            day = datetime.fromtimestamp(at_s - 1800, DEMO.timezone).date()
            buys, sells = (float(priced.mean_price(at_s - 1800, at_s) or 0) for priced in (imports, exports))
            paid = (totals.import_wh - bought) * buys - (totals.export_wh - sold) * sells
            cost[day] = cost.get(day, 0.0) + paid / 1000
            bought, sold = totals.import_wh, totals.export_wh
        if ledger is not None and at_s % 86_400 == 0:
            entries = tuple(books.settle(float(at_s)))
            ledger.commit(Batch(float(at_s), entries, tank=tuple(books.tank_entries()), tape=tape.take(at_s)))
    return cost


def _heard(house: DemoHouse) -> dict[str, float]:
    flows, totals, tank = house.flows, house.totals, house.tank.temps_c
    return {
        "grid_w": flows.grid_w,
        "import_wh": float(int(totals.import_wh)),
        "export_wh": float(int(totals.export_wh)),
        "pv_w": flows.pv_w,
        "battery_w": flows.battery_w,
        "battery_level_pct": house.battery.level_pct,
        "tank_level_pct": round(house.level_pct, 1),
        "tank_top_c": tank[-1],
        "tank_mid_c": tank[10],
        "tank_bottom_c": tank[3],
        "diverted_w": flows.diverted_w,
        "diverted_wh": float(int(totals.diverted_wh)),
        "topup_wh": float(int(totals.topup_wh)),
    }


def compared_demo(folder: Path, pairs: int = 8, seed: int = 1) -> tuple[Path, float]:
    """The home file, its ledger beside it, and what diverting truly saves on an average day that counts."""
    path = home_file(folder, pairs, seed)
    home = load(path)
    order = comparison_blocks(home)
    days = (order[-1].until - FIRST).days + 1
    facts = Facts(home.home.name, 30, "EUR", "Europe/Dublin", ("main",))
    with LedgerWriter.open(folder / "larch.sqlite", facts) as ledger:
        written_s = midnight_s(FIRST, DEMO.timezone) - 7200.0
        event = news([], order, 1, DEMO.timezone, written_s)
        assert event is not None
        ledger.commit(Batch(written_s - 86_400, events=(event,)))
        lived(home, days, seed, ledger)
    never = lived(home, days, seed, diverts=False)
    without = folder / "always.toml"
    without.write_text(path.read_text().replace(f"from = {FIRST}\n", ""))
    always = lived(load(without), days, seed)
    counted = [
        block.first + timedelta(days=place) for block in order for place in range(1, (block.until - block.first).days)
    ]
    return path, sum(never[day] - always[day] for day in counted) / len(counted)
