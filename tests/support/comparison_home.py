"""A home whose ledger holds a fair comparison with a known effect: at noon the sun heats, at three the night rate."""

from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path
from random import Random
from zoneinfo import ZoneInfo

from accounting.ledger import Batch, Facts, LedgerWriter
from accounting.ledger.tape import pack
from accounting.model.entry import Entry, Posting, TankEntry
from accounting.reports.written_comparison import news
from rules.planning.alternation import blocks

ZONE = ZoneInfo("Europe/Dublin")
FIRST = date(2026, 3, 2)
NIGHT, DAY, EXPORT = 0.09, 0.32, 0.05

HOME = f"""\
[home]
name = "Teal Yard"
timezone = "Europe/Dublin"
currency = "EUR"

[signals.surplus_w]
topic = "yard/surplus"
[signals.tank_level_pct]
topic = "yard/level"
[signals.diverted_wh]
topic = "yard/diverted"
[signals.topup_wh]
topic = "yard/topup"
[signals.import_wh]
topic = "yard/in"
[signals.export_wh]
topic = "yard/out"

[heaters.main]
kind = "gate"
rated_w = 2800
topic = "yard/permit"
orders = {{ withhold = "0", surplus = "1" }}

[tank]
volume_l = 180
label_class = "C"

[rules.alternate]
from = {FIRST}
pairs = 6
seed = 3

[tariffs.import]
direction = "import"
periods = [{{ from = 2020-01-01, bands = [
  {{ name = "night", from = "02:00", to = "05:00", price = {NIGHT} }},
  {{ name = "day", price = {DAY} }},
] }}]

[tariffs.export]
direction = "export"
periods = [{{ from = 2020-01-01, bands = [{{ name = "all", price = {EXPORT} }}] }}]

[[displaces]]
source = "night electricity"
share = 1
tariff = "import"

[ledger]
path = "teal.sqlite"
"""


def home_file(folder: Path, text: str = HOME) -> Path:
    path = folder / "teal.toml"
    path.write_text(text)
    return path


def ledger_file(
    folder: Path, *, effect: bool = True, written_days_before: int = 1, days: int = 50
) -> tuple[Path, float]:
    """The ledger, and what a day of diverting truly saves on average of the days that count.

    effect: without it the sun is worth as sold as it saves. written_days_before: when the order was written.
    """
    order = blocks(FIRST, 6, 4, 3)
    on = {day for block in order if block.on for day in _days(block.first, block.until)}
    settling = {block.first for block in order}
    chance = Random(5)
    truth = []
    bought = sold = 0.0
    path = folder / "teal.sqlite"
    with LedgerWriter.open(path, Facts("Teal Yard", 30, "EUR", "Europe/Dublin", ("main",))) as writer:
        written_s = _at(FIRST, 0.0) - written_days_before * 86_400
        event = news([], order, 1, ZONE, written_s)
        assert event is not None
        writer.commit(Batch(written_s, events=(event,)))
        for day in _days(FIRST, FIRST + timedelta(days=days)):
            need_wh, spare_wh = 7000 + round(chance.gauss(0, 800)), 5000 + round(chance.gauss(0, 1500))
            sun_wh = min(max(spare_wh, 0), need_wh - 500)
            price = NIGHT if not effect else EXPORT
            if day in {each for block in order for each in _days(block.first, block.until)} - settling:
                truth.append(sun_wh * (NIGHT - price) / 1000)
            diverted_wh = sun_wh if day in on else 0
            topup_wh = need_wh - diverted_wh
            entries, tank, rows = [], [], []
            for place in range(round((_at(day + timedelta(days=1), 0) - _at(day, 0)) / 1800)):
                start_s = int(_at(day, 0)) + 1800 * place
                local = datetime.fromtimestamp(start_s, ZONE)
                noon, night, evening = ((local.hour, local.minute) == (hour, 0) for hour in (12, 3, 19))
                flows = []
                wh = diverted_wh if noon else 0
                if wh:
                    flows.append(Posting("sun", -wh, -round(wh * price * 1000)))
                if night:
                    flows.append(Posting("grid:night", -topup_wh, -round(topup_wh * NIGHT * 1000)))
                if evening:
                    flows.append(Posting("drawn", need_wh))
                entries.append(_entry(start_s, wh, price))
                tank.append(_tank(start_s, tuple(flows)))
                bought += 250 + (topup_wh if night else 0)
                sold += max(spare_wh, 0) - diverted_wh if noon else 0
                rows.append((start_s + 1800, {"import_wh": round(bought), "export_wh": round(sold)}))
            end_s = rows[-1][0]
            writer.commit(Batch(end_s, tuple(entries), tank=tuple(tank), tape=pack(rows)))
    return path, sum(truth) / len(truth)


def _days(first: date, until: date) -> list[date]:
    return [first + timedelta(days=place) for place in range((until - first).days)]


def _at(day: date, hour: float) -> float:
    return datetime(day.year, day.month, day.day, tzinfo=ZONE).timestamp() + hour * 3600


def _entry(start_s: int, wh: int, price: float) -> Entry:
    plain = Entry(
        start_s,
        1800,
        "main",
        diverted_wh=wh,
        estimated_wh=0,
        measured_s=1800,
        given_up_micro=round(wh * price * 1000),
        avoided_micro=round(wh * NIGHT * 1000),
        given_up_mg=0,
        avoided_mg=0,
        export_price_micro=round(price * 1e6),
        import_price_micro=90_000,
        heat_value_micro=90_000,
        unpriced_wh=0,
        used="1",
    )
    micro = plain.given_up_micro
    return replace(plain, postings=(Posting("sun", -wh, -micro), Posting("tank", wh, micro)) if wh else ())


def _tank(start_s: int, flows: tuple[Posting, ...]) -> TankEntry:
    change = -sum(posting.wh for posting in flows)
    stock = (Posting("tank", change),) if change else ()
    return TankEntry(start_s, 1800, 1800, closing_wh=4000 + max(change, 0), postings=(*flows, *stock))
