"""What the rooms show of the daemon's answers."""

import asyncio
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from accounting.ledger import EventRow
from accounting.model.periods import By
from daemon.config.cautions import new_cautions
from daemon.config.model import Home
from daemon.documents.rules_document import rules_answer
from daemon.documents.valuing import Valued
from daemon.recording import owner_notes as notes
from daemon.simulation.backtest import Outcome, Times
from daemon.web.page.rooms import value as value_of_home
from daemon.web.page.views.deciding import Decided
from daemon.web.page.views.health import WIDTH, health_room, spark
from daemon.web.page.views.rules import compared, rules_room, trial_shown
from daemon.web.page.views.stock import statement
from daemon.web.page.views.timeline import timeline
from daemon.web.page.views.value import break_even, carbon_sentence, hardware, value_room
from daemon.web.server.query_cache import Shelf
from rules.model.errors import BrimfulError
from tests.support.homes import SMALL, home
from tests.support.page_answers import AT, AT_S, ZONE, facts, health, reading
from tests.support.planned_past import HOME, lived
from tests.support.planned_past import ZONE as HOME_ZONE

# Value


def row(start: str, kwh: float, net: float, coverage: float = 1.0) -> dict[str, Any]:
    told = {"diverted_kwh": kwh, "given_up": 0.5, "avoided": 0.5 + net, "net": net, "net_kg": -0.02}
    return {"start": start, "end": start, "coverage": coverage, "open_kwh": 0.0, "estimated_kwh": 0.0, **told}


def value(*rows: dict[str, Any], net: float = 0.2) -> dict[str, Any]:
    return {
        "by": "day",
        "currency": "EUR",
        "used": 1.0,
        "used_basis": "stated",
        "carbon_basis": "average",
        "displaces": [{"source": "gas", "share": 1.0}],
        "unpriced_kwh": 0.0,
        "notes": [],
        "rows": list(rows),
        "total": row("2026-06-10T00:00:00+01:00", 5.0 if rows else 0.0, net),
    }


def test_the_value_room_leaves_out_what_lies_before_the_first_record_but_no_gap_after() -> None:
    days = [f"2026-06-{day:02}T00:00:00+01:00" for day in range(1, 6)]
    told = value(row(days[0], 0, 0, 0), row(days[1], 0, 0, 0), row(days[2], 5, 0.2), row(days[3], 0, 0, 0))
    room = value_room(told, None)
    assert [line.period for line in room.lines] == ["Wed 3 Jun", "Thu 4 Jun"]
    assert room.chart is not None
    assert len(room.chart.bars) == 2
    assert room.headline == (
        "From 3 June to 9 June 2026, diverting 5.00 kWh was worth 0.20 EUR more than exporting it."
    )


def test_what_gave_nothing_is_not_named_among_what_gave_something() -> None:
    answer = value(row("2026-06-01T00:00:00+01:00", 5, 0.2))
    answer["total"] |= {"grid_kwh": 0.0, "battery_kwh": 0.25, "bought": 0.08}
    said = value_room(answer, None).basis
    assert "While diverting 0.250 kWh from the battery, for 0.08 EUR; net is less by that." in said
    assert not [sentence for sentence in said if "0.000 kWh" in sentence]


@pytest.mark.parametrize(
    ("net", "said"),
    [(-0.2, "cost 0.20 EUR against exporting it"), (0.001, "worth the same as exporting it")],
)
def test_a_loss_is_called_one(net: float, said: str) -> None:
    assert said in value_room(value(row("2026-06-01T00:00:00+01:00", 5, net), net=net), None).headline


def test_what_diverting_has_brought_stands_beside_what_its_hardware_cost() -> None:
    said = hardware(value(row("2026-06-01T00:00:00+01:00", 5, 0.2), net=12.345), 1899.0)
    assert "has brought +12.35 EUR so far against just exporting; the hardware cost 1,899.00 EUR" in said
    assert hardware({"currency": "EUR", "total": {"net": None}}, 1.0) == ""


def test_what_it_has_brought_counts_from_the_day_the_first_hardware_was_bought(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begins: list[float | None] = []
    asked = value_of_home.gather.value

    class Written(SimpleNamespace):
        async def written(self) -> None:
            pass

    def value_from(home: Home, by: By, from_s: float | None, to_s: float | None) -> Valued:
        begins.append(from_s)
        return asked(home, by, from_s, to_s)

    def said(hardware: str) -> str:
        folder = tmp_path / str(len(hardware))
        folder.mkdir()
        made = lived(folder, 4, home=HOME + hardware)
        return asyncio.run(value_of_home._hardware(Written(shelf=Shelf()), made.home))  # type: ignore[arg-type]

    monkeypatch.setattr(value_of_home.gather, "value", value_from)
    bought = '[[hardware]]\nname = "diverter"\ncost = 300\nfitting = 50\n'
    assert said("") == ""
    assert "the hardware cost 350.00 EUR" in said(bought)
    assert "has brought" in said(f"{bought}bought = 2026-06-03\n{bought}bought = 2026-06-04\n")
    assert begins == [None, datetime(2026, 6, 3, tzinfo=HOME_ZONE).timestamp()]


@pytest.mark.parametrize(
    ("export", "said"),
    [
        (0.065, "so each kWh gains 0.0477"),
        (0.19, "so each kWh loses 0.0773"),
        (0.1127, "just as much"),
        (None, "not known"),
    ],
)
def test_the_break_even_is_told_against_the_price_in_force(export: float | None, said: str) -> None:
    told = break_even({"heat_value": 0.1127, "export_price": export}, "EUR")
    assert "worth 0.1127 EUR now" in told
    assert said in told
    assert "no known price" in break_even({"heat_value": None, "export_price": 0.1}, "EUR")


@pytest.mark.parametrize(
    ("net_kg", "said"),
    [(-18.49, "caused 18.49 kg CO2e more than"), (18.49, "saved 18.49 kg CO2e against"), (0.001, "came to the same")],
)
def test_carbon_is_said_in_words_so_that_no_minus_reads_as_saved(net_kg: float, said: str) -> None:
    assert said in carbon_sentence(net_kg, "average")


# Rules


def test_rules_stand_in_the_order_in_which_they_are_asked_and_say_what_they_decided() -> None:
    week = Decided({"full": 3600.0, "surplus": 7200.0, "limit": 3.0}, {"full": 3600.0, "surplus": 1800.0}, 10_800.0)
    shown = {rule.name: rule for rule in rules_room(rules_answer(home(SMALL)), week, "EUR")}
    assert list(shown) == [
        "limit",
        "full",
        "heaters",
        "away",
        "hygiene",
        "battery",
        "yield",
        "alternate",
        "worth",
        "surplus",
        "rest",
        "tracking",
    ]
    assert shown["full"].decided == "Decided 1 h 00 min this week, 33.3 % of the time on record."
    assert shown["surplus"].decided.endswith("the heater was off in 30 min of it.")
    assert shown["limit"].decided == "Decided nothing this week."
    assert shown["tracking"].decided == ""
    assert any("burns" in caution for caution in shown["limit"].cautions)


def test_a_setting_is_typed_as_the_command_takes_it_and_a_default_is_not_typed() -> None:
    text = SMALL + "[rules.full]\nstop_at_pct = 90\n[rules.away]\nperiods = [{from = 2026-08-01, to = 2026-08-15}]\n"
    shown = {rule.name: rule for rule in rules_room(rules_answer(home(text)), None, "EUR")}
    keys = {key.name: key for key in (*shown["full"].settings, *shown["away"].settings, *shown["worth"].settings)}
    assert (keys["stop_at_pct"].text, keys["stop_at_pct"].is_set) == ("90", True)
    assert (keys["resume_below_pct"].text, keys["resume_below_pct"].value) == ("", "83")
    assert keys["periods"].text == "2026-08-01/2026-08-15"
    assert keys["enabled"].kind == "choice"
    assert all(key.about for rule in shown.values() for key in rule.settings)


def test_what_would_have_been_is_what_was_moved_by_the_difference_of_the_replays() -> None:
    was = {"surplus": 3900.0, "full": 600.0}
    rows = compared(was, {"surplus": 4200.0}, {"surplus": 1200.0, "full": 3000.0})
    assert [(row.name, row.before, row.after, row.difference) for row in rows] == [
        ("surplus", "1 h 05 min", "15 min", "−50 min"),
        ("full", "10 min", "1 h 00 min", "+50 min"),
    ]
    same = Times(3, {"surplus": 60.0}, {"surplus": 60.0})
    shown = trial_shown(True, 1.0, "", Outcome(AT_S - 3600, AT_S, 60, same, same, same), ZONE)
    assert "no difference" in shown.said
    assert new_cautions(["a"], ["a", "b"]) == ("b",)


# Health


def test_all_is_well_until_something_is_not() -> None:
    assert health_room(health(), [], 10**10, facts()).headline == "All is well."
    for change, said in (
        ({"links": {"readings": {"up": False, "reason": "refused"}}}, "broker for the readings: refused"),
        ({"backup": {"fault": "no backup: disk full", "last": None, "last_age_s": None}}, "no backup: disk full"),
        ({"prices": {"faults": ["prices of tariffs.buy: expected status 200, got 503"]}}, "got 503"),
        ({"alerts": {"faults": ["alerts by webhook at x: expected status 2xx, got 500"]}}, "got 500"),
        ({"links": {"reader roof": {"up": False, "reason": "no answer"}}}, "reader roof: no answer"),
        ({"alarms": [{"name": "level frozen", "sentence": "level stuck", "since": AT}]}, "Level stuck, since 13:00"),
        ({"inputs": [reading("tank_level_pct", 90, 700)]}, "tank level"),
        ({"payloads": [{"signal": "grid_w", "received": 0, "refused": {}, "last_refused": ""}]}, "since the daemon"),
    ):
        room = health_room(health(**change), [], 10**10, facts())
        assert room.headline == "1 trouble."
        assert [said.lower() in trouble.lower() for trouble in room.troubles] == [True]
    assert health_room(health(), [], 10**8, facts()).troubles
    # A price stands until another one comes.
    assert (
        health_room(health(inputs=[reading("import_price", 0.3, 9e9)]), [], 10**10, facts()).headline == "All is well."
    )


def test_readings_are_grouped_by_what_depends_on_them_and_the_unheard_are_listed_too() -> None:
    topics = {"tank_level_pct": "hut/tank", "diverted_wh": "hut/energy", "pv_w": "hut/roof"}
    known = facts(topics=topics, booked=("diverted_wh",))
    room = health_room(health(inputs=[reading("pv_w", 5, 1)]), [], 10**10, known)
    assert [[one.words for one in group.signals] for group in room.groups] == [
        ["tank level"],
        ["diverted energy"],
        ["solar"],
    ]
    assert room.groups[0].signals[0].reading is None
    assert room.groups[0].signals[0].topic == "hut/tank"


def test_a_sparkline_runs_from_edge_to_edge_keeps_peaks_and_breaks_at_gaps() -> None:
    points = [(60.0 * minute, 5.0) for minute in range(360)]
    points[200] = (points[200][0], 900.0)
    line = spark(points, "grid_w", ())
    assert line is not None
    assert line.path.startswith("M1.0 ")
    assert f"L{WIDTH - 1:.1f} " in line.path
    assert " 2.0" in line.path  # the peak's height
    assert line.path.count("M") == 1
    assert line.said == "5 W to 900 W in 5 h 59 min"
    gap = spark([*points[:100], *points[250:]], "grid_w", ())
    assert gap is not None
    assert gap.path.count("M") == 2
    counter = spark([(0.0, 10.0), (60.0, 35.0)], "diverted_wh", ())
    assert counter is not None
    assert counter.said == "gained 25 Wh in 60 s"
    assert spark(points[:1], "grid_w", ()) is None


# Timeline


def test_the_timeline_joins_tariffs_absences_events_and_notes_the_newest_first() -> None:
    text = (
        SMALL.replace("Europe/Lisbon", ZONE)
        + "[rules.away]\nperiods = [{from = 2026-05-01, to = 2026-05-04}]\n"
        + '[tariffs.import]\ndirection = "import"\n[[tariffs.import.periods]]\nfrom = 2026-06-01\n'
        + 'bands = [{name = "all", price = 0.3}]\nsupplier = "Weir Power"\n'
    )
    note = notes.note_of({"day": "2026-06-05", "kind": "hardware", "text": " a new\n  meter "})
    gone = notes.note_of({"day": "2026-06-06", "kind": "other", "text": "mistaken"})
    events = [
        notes.written(note, AT_S),
        notes.written(gone, AT_S),
        notes.withdrawn(gone, AT_S + 1),
        EventRow(AT_S - 3600, "level", "alarm", "no level heard"),
        EventRow(AT_S - 1800, "level", "recovered", "the level tells again"),
        EventRow(AT_S, "rule.full", "note", "rules.full: stop_at_pct 95 → 90"),
    ]
    months = timeline(home(text), events, AT_S)
    assert [(month.name, [(entry.day, entry.kind, entry.text) for entry in month.entries]) for month in months] == [
        (
            "June 2026",
            [
                ("10 Jun", "setting", "Rules.full: stop_at_pct 95 → 90."),
                ("10 Jun", "alarm", "Recovered: the level tells again."),
                ("10 Jun", "alarm", "No level heard."),
                ("5 Jun", "hardware", "A new meter."),
                ("1 Jun", "tariff", "Tariff import from Weir Power: all 0.3000 EUR per kWh."),
            ],
        ),
        ("May 2026", [("1 May", "absence", "Away until 3 May.")]),
    ]
    assert [entry.text for month in timeline(home(text), events, AT_S, "alarm") for entry in month.entries] == [
        "Recovered: the level tells again.",
        "No level heard.",
    ]


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"day": "5 June"}, "day: expected a date like 2026-06-01, got '5 June'"),
        ({"day": "1066-10-14"}, "day: expected a year 1971 to 2200"),
        ({"kind": "gossip"}, "kind: expected one of tariff, setting, hardware, absence, other, got 'gossip'"),
        ({"text": "  \n "}, "text: expected 1 to 200 printable characters, got 0"),
        ({"text": "x" * 201}, "text: expected 1 to 200 printable characters, got 201"),
        ({"text": "a\x00b"}, "text: expected 1 to 200 printable"),
        ({"text": None}, "text: expected 1 to 200"),
    ],
)
def test_a_note_that_does_not_fit_is_refused_by_name(change: dict[str, Any], told: str) -> None:
    with pytest.raises(BrimfulError) as refused:
        notes.note_of({"day": "2026-06-05", "kind": "other", "text": "ok", **change})
    assert told in str(refused.value)


# The heat stock


def test_the_statement_adds_up_from_opening_to_closing() -> None:
    def lot(kwh: float, cost: float = 0.0, **by_source: float) -> dict[str, Any]:
        sources = {name: {"kwh": part, "cost": 0.0, "kg": 0.0, "share": None} for name, part in by_source.items()}
        return {"kwh": kwh, "cost": cost, "kg": 0.0, "by_source": sources}

    total = {
        "start": "2026-06-10T00:00:00+01:00",
        "end": "2026-06-10T12:30:00+01:00",
        "opening": lot(5.0),
        "received": lot(4.0, 0.26, sun=3.0, **{"grid:night": 1.0}),
        "drawn": lot(1.5, 0.04),
        "lost": lot(0.5, 0.01),
        "unexplained": lot(0.0),
        "closing": lot(7.0, 0.21),
        "average_cost_per_kwh": 0.03,
        "coverage": 1.0,
        "metered_share": 0.0,
    }
    told = statement({"currency": "EUR", "total": total})
    assert told is not None
    assert [(line.name, line.kwh, line.style) for line in told.lines] == [
        ("opening stock", "5.000", ""),
        ("received", "4.000", ""),
        ("from the sun", "3.000", "sub"),
        ("from the grid, night", "1.000", "sub"),
        ("drawn", "−1.500", ""),
        ("lost", "−0.500", ""),
        ("closing stock", "7.000", "close"),
    ]
    assert told.span == "00:00 to 12:30"
    empty = {**total, "opening": lot(0), "closing": lot(0), "coverage": 0.0}
    assert statement({"currency": "EUR", "total": empty}) is None
