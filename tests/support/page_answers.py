"""Answers of the daemon as the page takes them, of an invented house."""

from typing import Any

from daemon.web.page.views.house import HomeFacts

AT = "2026-06-10T12:00:00Z"
AT_S = 1_781_092_800.0
ZONE = "Europe/Dublin"


def why(**told: Any) -> dict[str, Any]:
    return {
        "at": AT,
        "heater": "main",
        "order": "withhold",
        "watts": None,
        "guard": "full",
        "sentence": "Withheld: tank 95 %, full since 12:40; resumes below 88 %",
        "change": "resumes below 88 %",
        "findings": [
            {"guard": "limit", "verdict": "allow", "sentence": "hottest water 57 °C", "change": "stops at 70 °C"},
            {"guard": "full", "verdict": "forbid", "sentence": "tank 95 %", "change": "resumes below 88 %"},
        ],
        "heaters": [{"heater": "main", "order": "withhold", "watts": None, "guard": "full"}],
        "level": {"value_pct": 95.0, "since": "2026-06-10T11:40:00Z", "full_since": None, "age_s": 5.0, "fresh": True},
        "prices": {"import_price": 0.3, "export_price": 0.065, "heat_value": 0.1127},
        "links_down": {},
        "inputs": [],
        "alarms": [],
        "override": None,
        **told,
    }


def health(**told: Any) -> dict[str, Any]:
    return {
        "at": AT,
        "links": {"readings": {"up": True, "reason": ""}},
        "inputs": [],
        "payloads": [],
        "queue": {"waiting_readings": 0, "passed_over_readings": 0},
        "books": {"written_at_s": AT_S, "fault": "", "outbox": 0, "refused": {"count": 0, "why": ""}},
        "clock": {"fault": ""},
        "timeseries": None,
        "backup": None,
        "prices": {"faults": []},
        "alerts": {"faults": []},
        "alarms": [],
        **told,
    }


def facts(**known: Any) -> HomeFacts:
    told: dict[str, Any] = {
        "heaters": ("main",),
        "topics": {},
        "needed": ("tank_level_pct",),
        "booked": (),
        "powers": {},
    }
    return HomeFacts(timezone=ZONE, **{**told, **known})


def reading(signal: str, value: float, age_s: float | None, limit_s: float | None = 600) -> dict[str, Any]:
    return {"signal": signal, "value": value, "age_s": age_s, "stale_after_s": limit_s}
