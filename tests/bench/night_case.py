"""Reading a CASE.toml of the night game and the half hours beside it."""

import csv
import tomllib
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import isfinite
from pathlib import Path
from zoneinfo import ZoneInfo

from rules.model.errors import BrimfulError
from rules.planning.store import Store

HALF_HOUR = timedelta(minutes=30)
OP = "read the case"
NUMBERS = ("capacity_wh", "power_w", "loss_per_half_hour", "boiler_price", "start_wh")
COLUMNS = ("time", "surplus_wh", "drawn_wh", "import_price", "export_price")


@dataclass(frozen=True, slots=True)
class Row:
    """A half hour: its local day and slot, and what happened. None: not measured, so nothing is counted."""

    start: datetime
    day: int
    weekday: int
    slot: int
    surplus_wh: float | None
    drawn_wh: float | None
    import_price: float
    export_price: float


@dataclass(frozen=True, slots=True)
class Case:
    """rows: the half hours that are played, and after them those of which only the prices are known."""

    name: str
    store: Store
    start_wh: float
    rows: tuple[Row, ...]
    played: int
    missing: int

    @property
    def end_price(self) -> float:
        """Money per kWh of heat left at the end: the lesser of boiler price and cheapest import price."""
        return min(self.store.missing_price, min(row.import_price for row in self.rows[: self.played]))


def read_case(path: Path, until: datetime | None = None) -> Case:
    """The case of a CASE.toml, to be played up to `until` where given. Raises BrimfulError for what cannot be played.

    Rows may stand in any order. An empty surplus or draw is not measured: it counts as 0 and the planner knows that it
    is unknown; a half hour without a row likewise, at the prices of the half hour a day before. Rows at the end with
    neither are not played: they give prices.
    """
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise BrimfulError(OP, str(path), "expected a CASE.toml, found no such file") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise BrimfulError(OP, str(path), f"expected TOML, got {error}") from None
    numbers = [_number(table, name, path) for name in NUMBERS]
    store = Store(*numbers[:4])
    start_wh = numbers[4]
    if not 0 <= start_wh <= store.capacity_wh:
        raise BrimfulError(OP, "start_wh", f"expected 0 to the capacity of {store.capacity_wh} Wh, got {start_wh}")
    readings = table.get("readings")
    if not isinstance(readings, str):
        raise BrimfulError(OP, "readings", f"expected the name of a CSV file, got {readings!r} ({path.name})")
    zone = _zone(table.get("timezone"), path)
    rows = _filled(_read_rows(path.parent / readings), zone)
    played = len(rows)
    while played and rows[played - 1].surplus_wh is None and rows[played - 1].drawn_wh is None:
        played -= 1
    if until is not None:
        played = sum(row.start < until for row in rows[:played])
    if not played:
        raise BrimfulError(OP, readings, "expected at least one half hour to play, found none")
    missing = sum(row.surplus_wh is None or row.drawn_wh is None for row in rows[:played])
    return Case(path.stem, store, start_wh, tuple(rows), played, missing)


def _number(table: dict[str, object], name: str, path: Path) -> float:
    value = table.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        hint = "where there is no boiler, say what a kWh of cold shower is worth" if name == "boiler_price" else ""
        raise BrimfulError(OP, name, f"expected a number, got {value!r} ({path.name})", hint)
    return float(value)


def _zone(name: object, path: Path) -> ZoneInfo:
    try:
        return ZoneInfo(str(name))
    except (LookupError, ValueError, OSError):
        raise BrimfulError(
            OP, "timezone", f"expected an IANA zone such as Europe/Paris, got {name!r} ({path.name})"
        ) from None


def _read_rows(path: Path) -> list[tuple[datetime, list[float | None]]]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            table = list(csv.DictReader(file))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise BrimfulError(OP, path.name, f"expected a CSV file of half hours, got {error}") from None
    lacking = [name for name in COLUMNS if table and name not in table[0]]
    if lacking:
        raise BrimfulError(OP, path.name, f"expected the columns {', '.join(COLUMNS)}; {', '.join(lacking)} lacks")
    rows: dict[datetime, list[float | None]] = {}
    for number, cells in enumerate(table, start=2):
        where = f"{path.name} line {number}"
        start = _time(cells["time"], where)
        if start in rows:
            raise BrimfulError(OP, where, f"expected each half hour once, got {cells['time']} again")
        rows[start] = [_cell(cells[name], name, where) for name in COLUMNS[1:]]
    return sorted(rows.items())


def _time(text: str, where: str) -> datetime:
    try:
        start = datetime.fromisoformat(text)
    except (TypeError, ValueError):
        raise BrimfulError(OP, where, f"expected a time such as 2024-01-31T22:30:00Z, got {text!r}") from None
    start = start.replace(tzinfo=UTC) if start.tzinfo is None else start.astimezone(UTC)
    if start.minute % 30 or start.second or start.microsecond:
        raise BrimfulError(OP, where, f"expected the start of a half hour, got {text!r}")
    return start


def _cell(text: str | None, name: str, where: str) -> float | None:
    if text is None or not text.strip():
        return None
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not isfinite(value) or (name.endswith("_wh") and value < 0):
        raise BrimfulError(OP, where, f"expected {name} as a number{' from 0' * name.endswith('_wh')}, got {text!r}")
    return value


def _filled(found: list[tuple[datetime, list[float | None]]], zone: ZoneInfo) -> list[Row]:
    """Every half hour from the first to the last."""
    rows: list[Row] = []
    known = dict(found)
    prices: dict[datetime, tuple[float, float]] = {}
    start = found[0][0] if found else datetime.min.replace(tzinfo=UTC)
    last = found[-1][0] if found else start - HALF_HOUR
    while start <= last:
        surplus, drawn, buy, sell = known.get(start, (None,) * 4)
        before = prices.get(start - 48 * HALF_HOUR) or prices.get(start - HALF_HOUR)
        if (buy is None or sell is None) and (start in known or before is None):
            raise BrimfulError(
                OP, f"{start:%Y-%m-%dT%H:%M}Z", "expected an import and an export price, got an empty cell"
            )
        price = before if buy is None or sell is None else (buy, sell)
        assert price is not None
        prices[start] = price
        local = start.astimezone(zone)
        day = local.date()
        slot = local.hour * 2 + local.minute // 30
        rows.append(Row(start, day.toordinal(), day.weekday(), slot, surplus, drawn, *price))
        start += HALF_HOUR
    return rows
