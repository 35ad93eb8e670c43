"""A home with a past for the planner: a ledger written straight, with entries, heat stock and tape."""

from collections.abc import Callable, Iterable
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from accounting.ledger import Batch, LedgerWriter
from accounting.ledger.tape import pack
from accounting.model.entry import Entry, Posting, TankEntry
from daemon.assembly.endpoints import facts
from daemon.assembly.prepared_home import PreparedHome, prepare
from daemon.config.load import load
from tests.support.homes import SMALL

HALF_HOUR_S = 1800
ZONE = ZoneInfo("Europe/Lisbon")
ROWS_S = 600
HOME = (
    SMALL.replace('surplus = "1" }', 'surplus = "1", heat = "2" }').replace(
        'topic = "hut/meter"', f'topic = "hut/meter"\nstale_after_s = {ROWS_S}'
    )
    + """
[tank]
volume_l = 200
label_class = "B"

[tariffs.buy]
direction = "import"
[[tariffs.buy.periods]]
from = 2020-01-01
bands = [{ name = "night", from = "01:00", to = "06:00", price = 0.10 }, { name = "day", price = 0.30 }]

[tariffs.sell]
direction = "export"
[[tariffs.sell.periods]]
from = 2020-01-01
bands = [{ name = "all", price = 0.05 }]
"""
)
START = datetime(2026, 6, 1, tzinfo=ZONE)
"""A Monday."""
Known = tuple[float, float] | None
"""(surplus, draw) of a half hour, Wh, half of the surplus diverted; None: a gap."""


def usual(local: datetime) -> Known:
    """Sun from ten to four, a bath at seven in the morning, dishes at eight in the evening."""
    draw_wh = {7: 2000.0, 20: 1000.0}.get(local.hour, 0.0) if local.minute == 0 else 0.0
    return (600.0 if 10 <= local.hour < 16 else 0.0), draw_wh


def lived(
    folder: Path,
    days: int,
    half_hour: Callable[[datetime], Known] = usual,
    *,
    home: str = HOME,
    start: datetime = START,
    hours: int = 0,
    level_pct: float = 50.0,
    tape: bool = True,
    priced: bool = True,
    extra: Iterable[tuple[int, dict[str, float]]] = (),
    grid_wh: int = 0,
) -> PreparedHome:
    """A home file and the ledger of so many days and hours from `start` on. priced: whether the books noted
    prices; extra: further rows of the tape; grid_wh: what the heater took from the grid in the last half hour."""
    (folder / "home.toml").write_text(home)
    made = prepare(load(folder / "home.toml"))
    first_s = int(start.timestamp())
    end_s = first_s + days * 86_400 + hours * 3600
    entries, tank, rows = [], [], {second: dict(values) for second, values in extra}
    stock_wh = round(made.books.tank.full_wh * level_pct / 100)
    for start_s in range(first_s, end_s, HALF_HOUR_S):
        known = half_hour(datetime.fromtimestamp(start_s, made.books.tank and ZoneInfo(made.home.home.timezone)))
        if known is None:
            continue
        surplus_wh, draw_wh = known
        taken = round(surplus_wh / 2)
        bought = grid_wh if start_s + HALF_HOUR_S == end_s else 0
        postings = (Posting("sun", -taken), Posting("tank", taken)) if taken else ()
        if bought:
            postings += Posting("grid", -bought), Posting("tank", bought)
        entries.append(
            Entry(
                start_s,
                HALF_HOUR_S,
                "main",
                diverted_wh=taken + bought,
                measured_s=HALF_HOUR_S,
                grid_wh=bought,
                import_price_micro=200_000 if priced else None,
                export_price_micro=50_000 if priced else None,
                unpriced_wh=0,
                postings=postings,
            )
        )
        drawn = Posting("drawn", round(draw_wh))
        lines = (Posting("sun", -round(draw_wh)), Posting("tank", 0), drawn) if draw_wh else (Posting("tank", 0),)
        tank.append(TankEntry(start_s, HALF_HOUR_S, HALF_HOUR_S, stock_wh, postings=lines))
        if tape:
            for second in range(0, HALF_HOUR_S, ROWS_S):
                rows.setdefault(start_s + second + 60, {})["grid_w"] = -2.0 * (surplus_wh - taken)
    ledger = LedgerWriter.open(made.home.path_of(made.home.ledger.path), facts(made.home))
    try:
        ledger.commit(
            Batch(
                float(end_s),
                entries=tuple(entries),
                tank=tuple(tank),
                tape=pack(sorted(rows.items())) if rows else None,
                state={"known_until_s": end_s},
            )
        )
    finally:
        ledger.close()
    return made
