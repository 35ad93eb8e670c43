"""A house as rich as the page can show one: its home file, and answers of the daemon. What a person or another part
of the program has written stands in brackets."""

from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from accounting.ledger.records import DecisionRow
from daemon.web.page.views.day import DayRecord
from daemon.web.page.views.stops import Stop
from rules.model.orders import ALLOW, FORBID, Finding, Order
from tests.support.homes import SMALL
from tests.support.page_answers import AT, AT_S, ZONE, reading

TODAY = datetime.fromtimestamp(AT_S, ZoneInfo(ZONE)).date()
MIDNIGHT_S = 1_781_046_000
HOUSE = (
    SMALL.replace("Europe/Lisbon", ZONE).replace('surplus = "1" }', 'surplus = "1", heat = "2" }')
    + """
[signals.battery_w]
topic = "b"
[signals.battery_level_pct]
topic = "c"
[signals.car_w]
topic = "d"
[tank]
volume_l = 180
label_class = "C"
topup = { from = "02:00", to = "05:00", level_pct = 60, rated_w = 2800 }
[rules.full]
stop_at_pct = 92.5
[rules.battery]
minimum_level_pct = 80
maximum_discharge_w = 100
[rules.worth]
enabled = true
margin = 0.02
carbon_price_per_t = 50
[rules.rest]
minimum_on_s = 300
minimum_off_s = 600
[rules.yield]
signal = "car_w"
above_w = 500
for_s = 120
[rules.away]
periods = [{ from = 2026-05-01, to = 2026-05-15 }]
[rules.heaters]
prefer = ["main"]
together = true
[rules.hygiene]
at_c = 60
hold_minutes = 30
every_days = 7
heat = true
heater = "main"
thermostat_on_c = 55
[tariffs.import]
direction = "import"
[[tariffs.import.periods]]
from = 2020-01-01
to = 2026-06-03
bands = [{ name = "all_day", price = 0.3 }]
supplier = "[supplier]"
[[tariffs.import.periods]]
from = 2026-06-03
bands = [{ name = "all_day", price = 0.34 }]
[tariffs.export]
direction = "export"
periods = [{ from = 2020-01-01, bands = [{ name = "all_day", price = 0.05 }] }]
"""
)


def record() -> DayRecord:
    def row(hour: float, order: Order, guard: str, heater: str = "main") -> DecisionRow:
        found = (Finding("limit", ALLOW, "[why]", "[change]"), Finding(guard, FORBID, "[why]", "[change]"))
        return DecisionRow(MIDNIGHT_S + hour * 3600, heater, order, None, guard, "[why]", "[change]", found)

    guards = ("fresh", "full", "override", "together", "hygiene", "return", "away", "plan", "battery", "yield")
    off = [row(n, Order.WITHHOLD, guard) for n, guard in enumerate(guards)]
    on = [row(11, Order.SURPLUS, "surplus"), row(12, Order.HEAT, "override"), row(12.5, Order.WITHHOLD, "worth")]
    seen = [float(s) for s in range(MIDNIGHT_S, int(AT_S), 60)]
    return DayRecord(
        from_s=MIDNIGHT_S,
        to_s=MIDNIGHT_S + 86_400,
        until_s=AT_S,
        seen_s=seen,
        levels=[(s, 40 + (s - MIDNIGHT_S) / 2000) for s in seen],
        surplus=[(s, 1500.0) for s in seen],
        decisions={"main": [*off, *on], "upper": [row(3, Order.WITHHOLD, "alternate", "upper")]},
        stops=[Stop("main", AT_S - 7200, AT_S - 7100, "[why]", "[proof]")],
        stop_pct=95,
        resume_pct=88,
    )


def stock() -> dict[str, Any]:
    def lot(kwh: float, **by_source: float) -> dict[str, Any]:
        sources = {name: {"kwh": part, "cost": 0.0, "kg": 0.0, "share": None} for name, part in by_source.items()}
        return {"kwh": kwh, "cost": 0.1, "kg": 0.0, "by_source": sources}

    received = lot(
        4.0, sun=1, battery=1, boiler=1, before=1, surroundings=1, unexplained=1, grid=1, **{"grid:all_day": 1}
    )
    total = {
        "start": "2026-06-10T00:00:00+01:00",
        "end": "2026-06-10T12:30:00+01:00",
        **dict.fromkeys(("opening", "drawn", "lost", "unexplained", "closing"), lot(5.0)),
        "received": received,
        "average_cost_per_kwh": 0.03,
        "coverage": 0.9,
        "metered_share": 0.0,
    }
    return {"currency": "EUR", "total": total}


def troubled() -> dict[str, Any]:
    return {
        "links": {
            "readings": {"up": True, "reason": ""},
            "main": {"up": False, "reason": ""},
            "reader roof": {"up": False, "reason": ""},
            "homie": {"up": False, "reason": ""},
        },
        "inputs": [reading("tank_level_pct", 90, 700), reading("pv_w", 5, 1), reading("topup_wh", 5, None)],
        "payloads": [
            {"signal": "grid_w", "received": 3, "refused": {"x": 2}, "last_refused": "[payload]"},
            {"signal": "house_w", "received": 0, "refused": {}, "last_refused": ""},
        ],
        "queue": {"waiting_readings": 0, "passed_over_readings": 1500},
        "books": {"written_at_s": AT_S - 86_400, "fault": "", "outbox": 2, "refused": {"count": 3, "why": "[why]"}},
        "timeseries": {"fault": ""},
        "backup": {"fault": "", "last": "[file]", "last_age_s": 200_000},
        "alarms": [{"name": "level frozen", "sentence": "[frozen]", "since": AT}],
    }


def plan() -> dict[str, Any]:
    first = datetime(2026, 6, 10, 20, 0, tzinfo=UTC)
    hours = [
        {
            "from": (first + timedelta(minutes=30 * n)).isoformat(),
            "import_price": 0.3,
            "surplus_wh": [0, 200 + n, 400],
            "drawn_wh": [0, 0, 0],
            "level_pct": [20, 30, 40],
            "level_without_pct": [10, 20, 30],
        }
        for n in range(48)
    ]
    ends = {"from": first.isoformat(), "to": (first + timedelta(days=1)).isoformat()}
    choice = {"grid_wh": 1000, "sun_wh": 2000, "left_wh": 3000, "cost": 0.5, "net_cost": 0.3, "cold_risk": 0.1}
    return {
        **ends,
        "timezone": ZONE,
        "currency": "EUR",
        "mode": "advise",
        "made_at": first.isoformat(),
        "expected_cost": 0.5,
        "cold_risk": 0.1,
        "boiler_price": None,
        "given_wh": 0,
        "heatings": [],
        "runs": [{"from": hours[4]["from"], "to": hours[8]["from"], "wh": 1200, "target_level_pct": 60}],
        "choices": [{**choice, "level_pct": level} for level in (None, 0.0, 40.0)],
        "half_hours": hours,
        "reasons": [],
        "unknown": [],
        "past": {"nights": 0},
        "cautions": ["[caution]"],
    }
