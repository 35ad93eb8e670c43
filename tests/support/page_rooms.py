"""Every template of the page with as much in it as a house can show, without a daemon: for what holds of all texts."""

import asyncio
from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

from accounting.ledger import EventRow
from daemon.documents.rules_document import rules_answer
from daemon.documents.verdict_blocks import Block
from daemon.recording import owner_notes as notes
from daemon.setup.examine import examined
from daemon.setup.survey import Survey
from daemon.simulation.backtest import Outcome, Times
from daemon.web.languages.language import Language
from daemon.web.page import app, endpoints
from daemon.web.page.listening import Listened
from daemon.web.page.rendering import templates, units_kept
from daemon.web.page.rooms import health, history, now, rules, set_up, timeline, value, verdict, what_if
from daemon.web.page.state import State
from daemon.web.page.views import rules as rules_view
from daemon.web.page.views import timeline as timeline_view
from daemon.web.page.views.day_picture import DayPicture, day_picture
from daemon.web.page.views.day_reasons import reasons_shown
from daemon.web.page.views.deciding import Decided
from daemon.web.page.views.figures import long_date
from daemon.web.page.views.health import HEIGHT, SPARK_HOURS, WIDTH, health_room
from daemon.web.page.views.now import now_room
from daemon.web.page.views.stock import diverted_today, statement
from daemon.web.page.views.stops import Stop
from daemon.web.page.views.tonight import tonight_room
from daemon.web.page.views.troubles import state_words
from daemon.web.page.views.value import PERIODS, hardware, value_room
from daemon.web.page.views.value_chart import HEIGHT as CHART_H
from daemon.web.page.views.value_chart import SUM_HEIGHT, price_changes
from tests.support.heard import listened
from tests.support.homes import SMALL, home
from tests.support.page_answers import AT_S, ZONE, facts, reading, why
from tests.support.page_answers import health as health_answer
from tests.support.rich_house import HOUSE, TODAY, plan, record, stock, troubled


def rendered(spoken: Language, folder: Path) -> Iterator[tuple[str, str]]:
    """Every page in a language, with its name. folder: a new one for the files that some rooms look at."""
    for name, template, context in pages(folder):
        yield name, units_kept(templates(spoken).get_template(template).render({**_known(name), **context}))


def pages(folder: Path) -> Iterator[tuple[str, str, Mapping[str, Any]]]:
    """Name, template and context of every page."""
    yield from _now()
    yield from _day()
    yield from _value()
    yield from _rules()
    yield from _health()
    yield from _timeline()
    yield from _set_up()
    yield from _what_if()
    yield from _history(folder)
    yield from _tonight()
    yield from _others()


def _known(name: str) -> dict[str, Any]:
    stranger = name.endswith("stranger")
    return {
        "house": "Wren Hut",
        "state": State(state_words(2), True) if stranger else State(state_words(0), False),
        "rooms": [(room.PATH, room.TITLE) for room in app.ROOMS],
        "open_to_read": True,
        "room": "/",
        "here": "/",
        "logged_in": not stranger,
        "may_change": not stranger,
        "form_token": "abc",
        "has_password": not name.endswith("read-only stranger"),
        "read_only": False,
    }


def _now() -> Iterator[tuple[str, str, Mapping[str, Any]]]:
    findings = [
        {"guard": guard, "verdict": verdict, "sentence": "[why]", "change": "[change]"}
        for guard, verdict in (("limit", "allow"), ("full", "forbid"), ("hygiene", "require"))
    ]
    said = {"findings": findings, "change": "[change]"}
    inputs = [
        reading("tank_level_pct", 95, 5),
        reading("grid_w", -1234, 700),
        reading("pv_w", 5, None, None),
        *(reading(name, 1234.5, 200_000, 900_000) for name in ("import_wh", "drawn_wh", "grid_kg_per_kwh")),
    ]
    today = {"diverted_kwh": 4.95, "avoided": 0.56, "given_up": 0.32, "net": 0.24, "currency": "EUR"}
    heaters = [*why()["heaters"], {"heater": "upper", "order": "surplus", "watts": 1200, "guard": "surplus"}]
    override = {"order": "surplus", "heater": "main", "ends_in_s": 3600}
    hygiene = {"days_since": 8.5, "hot_since": None, "overdue": True}
    answer = why(
        inputs=inputs, heaters=heaters, override=override, hygiene=hygiene, plan="[plan]", mode="watch", **said
    )
    known = facts(heaters=("main", "upper"), topics={"tank_level_pct": "hut/tank", "car_w": "hut/car"})
    stop = Stop("main", AT_S - 86_400, AT_S - 86_300, "[why]", "[proof]")
    orders = tuple(now.BUTTONS.items())
    full = {
        "title": now.TITLE,
        "now": now_room(answer, health_answer(**troubled()), today, stop, known, 10**8),
        "day": _picture(),
        "stock": statement(stock()),
        "diverted": None,
        "why_no_stock": "",
        "orders": orders,
        "heaters": known.heaters,
    }
    yield "now", "now.html", full
    silent = why(**said, order="heat", watts=1500, guard="full", level={**why()["level"], "fresh": False})
    room = now_room(silent, None, None, None, facts(topics={"tank_level_pct": "hut/tank", "car_w": "hut/car"}))
    empty = {**full, "now": room, "day": None, "stock": None, "diverted": diverted_today(today)}
    yield (
        "now, nothing heard, stranger",
        "now.html",
        {**empty, "why_no_stock": now.no_stock(now.say("nothing is settled yet"))},
    )
    yield "now, read-only stranger", "now.html", {**empty, "diverted": None}
    caution = {"title": now.CAUTION_TITLE, "fields": {"order": "heat"}, "minutes": "30 min", "cautions": ()}
    yield "override caution", "override_caution.html", caution


def _picture() -> DayPicture:
    return day_picture(record(), ZONE, ("main", "upper"), AT_S - 3600)


def _day() -> Iterator[tuple[str, str, Mapping[str, Any]]]:
    rows = (*record().decisions["main"][-1:], *record().decisions["upper"])
    context = {"title": long_date(TODAY), "day": _picture(), "before": "2026-06-09", "after": "2026-06-11"}
    yield "day", "day.html", {**context, "reasons": reasons_shown(rows, AT_S, ZONE)}
    empty = SimpleNamespace(**{name: getattr(_picture(), name) for name in _picture().__slots__})
    empty.rows, empty.lanes, empty.rings = (), (), ()
    yield "empty day", "day.html", {**context, "day": empty, "reasons": ()}


def _value() -> Iterator[tuple[str, str, Mapping[str, Any]]]:
    def row(day: int, net: float) -> dict[str, Any]:
        begin = datetime(2026, 6, 1, tzinfo=ZoneInfo(ZONE)) + timedelta(days=day)
        figures = {"diverted_kwh": 5.0, "given_up": 0.5, "avoided": 0.5 + net, "net": net, "net_kg": -0.02}
        marks = dict.fromkeys(("open_kwh", "estimated_kwh", "unpriced_kwh", "set_aside_kwh"), 1.5)
        ends = {"start": begin.isoformat(), "end": (begin + timedelta(days=1)).isoformat()}
        return {**ends, "coverage": 0.95, "bought": 0.08, "grid_kwh": 1.0, "battery_kwh": 0.5, **marks, **figures}

    base = {
        "currency": "EUR",
        "used": 0.9,
        "used_basis": "measured",
        "carbon_basis": "average",
        "displaces": [{"source": "[gas]", "share": 0.6}, {"source": "[oil]", "share": 0.4}],
        "notes": [],
    }
    prices = {"heat_value": 0.1127, "export_price": 0.065}
    for number, by in enumerate(PERIODS):
        rows = [row(n, 0.3 - 0.2 * n) for n in range(3)]
        total = {**row(0, (0.2, -0.2, 0.0, 0.2)[number]), "end": rows[-1]["end"]}
        answer = {**base, "by": by, "rows": rows, "total": total}
        if number == 1:
            answer |= {"displaces_by_month": [1], "used_basis": "stated", "carbon_basis": None}
        known = (prices, {**prices, "export_price": 0.19}, {**prices, "export_price": None}, None)[number]
        asked = value.Asked(by, "", "", None, None)  # type: ignore[arg-type]
        context = {
            "title": value.TITLE,
            "value": value_room(answer, known, price_changes(home(HOUSE))),
            "hardware": hardware(answer, 1899.0),
            "periods": PERIODS,
            "spans": value.spans(asked, TODAY),
            "height": CHART_H,
            "sum_height": SUM_HEIGHT,
            "typed_from": "",
            "typed_to": "",
            "query": lambda by="day": f"by={by}",
        }
        yield f"value by {by}", "value.html", context
    nothing = value_room({**base, "by": "day", "rows": [], "total": {**row(0, 0), "diverted_kwh": 0.0}}, prices)
    yield "value, stranger", "value.html", {**context, "value": nothing}


def _rules() -> Iterator[tuple[str, str, Mapping[str, Any]]]:
    week = Decided({"full": 3600.0, "surplus": 7200.0}, {"full": 3600.0, "surplus": 1800.0}, 10_800.0)
    hygiene = "[rules.hygiene]\nat_c = 60\nhold_minutes = 30\nevery_days = 7\nheat = false\n"
    alternate = "[rules.alternate]\nfrom = 2026-07-01\npairs = 10\n"
    bottom = SMALL.replace("[heaters.main]", '[signals.tank_top_c]\ntopic = "t"\n[heaters.main]')
    for number, text in enumerate((HOUSE, bottom + hygiene + alternate)):
        keys = rules_answer(home(text))
        shown = rules_view.rules_room(keys, week if number == 0 else None, "EUR")
        context = {
            "title": rules.TITLE,
            "rules": shown,
            "week": rules_view.week_shown(week if number == 0 else None),
            "known": rules.minutes(week.known_s),
            "heater": "main",
            "done": rules.done("full"),
        }
        yield f"rules {number}{', stranger' * number}", "rules.html", context
        for rule in shown:
            entered = {key.name: key.text for key in rule.settings}
            name = f"rule {rule.name} {number}{', stranger' * number}"
            yield (
                name,
                "rule.html",
                {"title": rules.called(rule.name), "rule": rule, "problems": (), "entered": entered},
            )
    same = Times(3, {"surplus": 600.0}, {"surplus": 600.0})
    more = Times(5, {"withhold": 300.0, "surplus": 300.0, "heat": 900.0}, {"full": 300.0, "surplus": 300.0})
    trials = [
        rules_view.trial_shown(False, 0.3, "", None, ZONE),
        rules_view.trial_shown(True, 1.0, "[fault]", None, ZONE),
        *(
            rules_view.trial_shown(True, 1.0, "", Outcome(AT_S - 200_000, AT_S, 60, same, same, other), ZONE)
            for other in (same, more, Times(1, more.by_order_s, more.by_rule_s), Times(3, more.by_order_s, {}))
        ),
    ]
    changes = rules_view.changed_shown({"changes": [{"key": "stop_at_pct", "old": None, "new": True}]})
    for number, trial in enumerate(trials):
        context = {"title": rules.called("full", tried=True), "rule": "full", "called": "full", "changes": changes}
        context["called"] = rules.TITLES["full"]
        yield f"trial {number}", "trial.html", {**context, "cautions": (), "entered": {"a": "1"}, "trial": trial}


def _health() -> Iterator[tuple[str, str, Mapping[str, Any]]]:
    names = ("tank_level_pct", "pv_w", "diverted_wh")
    rows = [(int(AT_S) - 60 * n, dict.fromkeys(names, 10.0 + n)) for n in range(300, 0, -1)]
    topics = {name: f"hut/{name}" for name in (*names, "grid_w", "car_w")}
    known = facts(topics=topics, booked=("diverted_wh",))
    one = {"books": {**health_answer()["books"], "written_at_s": None, "outbox": 1}, "timeseries": {"fault": ""}}
    answers = (troubled(), {"backup": {"fault": "", "last": None, "last_age_s": None}}, one)
    for number, told in enumerate(answers):
        free = (10**8, None, 10**10)[number]
        room = health_room(health_answer(**told), rows, free, known)
        context = {"title": health.TITLE, "health": room, "watches": True, "hours": SPARK_HOURS}
        yield f"health {number}", "health.html", {**context, "width": WIDTH, "height": HEIGHT}


def _timeline() -> Iterator[tuple[str, str, Mapping[str, Any]]]:
    note = notes.note_of({"day": "2026-06-05", "kind": "hardware", "text": "[note]"})
    events = [
        notes.written(note, AT_S),
        EventRow(AT_S - 3600, "level", "alarm", "[alarm]"),
        EventRow(AT_S - 1800, "level", "recovered", "[alarm]"),
        EventRow(AT_S, "rule.full", "note", "[changed]"),
        EventRow(AT_S, "sold", "note", "[other]"),
    ]
    entered = {"day": "2026-06-10", "kind": "", "text": ""}
    for name, known in (("timeline", events), ("timeline, stranger", events)):
        context = {
            "title": timeline.TITLE,
            "months": timeline_view.timeline(home(HOUSE), known, AT_S),
            "kinds": timeline_view.KINDS,
            "kind": "",
            "note_kinds": timeline.note_kinds(),
            "longest": notes.LONGEST,
            "days": 400,
            "today": "2026-06-10",
            "problems": [],
            "entered": entered,
        }
        yield name, "timeline.html", context
    yield "empty timeline", "timeline.html", {**context, "months": ()}
    asked = {"title": timeline.WITHDRAW_TITLE, "note": note, "day": long_date(note.day)}
    asked["kind"] = timeline_view.KIND_WORDS[note.kind]
    yield "withdraw", "withdraw.html", asked


def _set_up() -> Iterator[tuple[str, str, Mapping[str, Any]]]:
    survey = Survey()
    for second in range(5):
        payloads = {"hut/meter": b"12", "cupboard/meter": b'{"power": {"kw": -0.42}}', "hut/tank": b"61"}
        listened(survey, second, payloads)
    heard = Listened("0" * 16, 0.0, survey, examined(survey.readable()))
    under_way = Listened("1" * 16, 0.0)
    known = home(HOUSE)
    yield "set-up, under way", "set_up.html", set_up._shown(known, under_way)
    heard.ended.set()
    survey.left_out = 3
    yield "set-up", "set_up.html", {**set_up._shown(known, heard), "watches": True}
    nothing = Listened("2" * 16, 0.0, Survey(), examined({}))
    nothing.ended.set()
    yield "set-up, nothing", "set_up.html", set_up._shown(known, nothing)
    chosen = {"title": set_up.CHOSEN_TITLE, "tables": ["[signals.a]"], "entered": {"a": "b"}, "file": "home.toml"}
    yield "set-up, chosen", "set_up_chosen.html", chosen
    written = {"title": set_up.WRITTEN_TITLE, "into": "home.new.toml", "folder": "/etc/brimful", "file": "home.toml"}
    yield "set-up, written", "set_up_written.html", written


def _what_if() -> Iterator[tuple[str, str, Mapping[str, Any]]]:
    known = home(HOUSE)
    yield "what if", "what_if.html", what_if._form(known, {})
    yield "what if, no tank, stranger", "what_if.html", what_if._form(home(SMALL), {})
    names = [{}, {"rules.full.stop_at_pct": 80}, {"rules.worth.enabled": True, "tank.volume_l": 150.0}]
    variants = [
        {
            "set": name,
            "cost": None if number == 2 else 12.5 + number,
            "against_first": {"cost": None if number == 2 else 1.0 * number, "low": -1.0, "high": 1.5},
            "heat_kwh": {"sun": 10.0, "grid:day": 3.0, "boiler": 1.0},
            "kg": 3.0,
            "cold_minutes": 3,
            "switchings": 1200,
        }
        for number, name in enumerate(names)
    ]
    ends = {"from": "2026-05-01T00:00:00+01:00", "to": "2026-06-01T00:00:00+01:00"}
    base = {"currency": "EUR", "confidence": 0.9, "blocks": "day", "notes": [], "variants": variants, **ends}
    for number, (ended, fault, found) in enumerate(((False, "", None), (True, "[fault]", None), (True, "", base))):
        work = SimpleNamespace(found=found, ended=ended, done=0.3, fault=fault)
        called = [what_if.name_of(name) for name in names]
        yield f"what if, run {number}", "what_if_run.html", what_if._run(work, called, known)  # type: ignore[arg-type]


def _history(folder: Path) -> Iterator[tuple[str, str, Mapping[str, Any]]]:
    file = folder / "home.toml"
    house: Any = SimpleNamespace(home=lambda: home(SMALL, file))
    yield "history, empty", "history.html", asyncio.run(history._shown(house, {}, []))
    (folder / "history.csv").write_text("from,to,gas_kwh,note\n2025-01-01,2025-02-01,310.5,[note]\n")
    yield "history", "history.html", asyncio.run(history._shown(house, {}, []))
    yield "history, a row", "history.html", asyncio.run(history._shown(house, {"row": "0"}, []))


def _tonight() -> Iterator[tuple[str, str, Mapping[str, Any]]]:
    sizes = {"title": now.TITLE, "width": 1000, "height": 150, "fault": "", "hint": ""}
    for mode in ("off", "advise", "follow"):
        yield f"tonight, {mode}", "tonight.html", {**sizes, "tonight": tonight_room({**plan(), "mode": mode})}
    none = {**sizes, "tonight": None, "fault": "[fault]", "hint": "[hint]"}
    yield "tonight, no plan", "tonight.html", none


def _others() -> Iterator[tuple[str, str, Mapping[str, Any]]]:
    block = Block("[heading]", ["[sentence]"], lambda **how: "<svg></svg>", "[caption]", ["[head]"], [["[cell]"]])
    blocks = {"title": verdict.TITLE, "headline": verdict.NOT_YET, "fault": "", "blocks": [block]}
    yield "verdict", "verdict.html", blocks
    login = {"title": endpoints.LOGIN_TITLE, "then": "/"}
    yield "login", "login.html", login
    yield "login, shut", "login.html", {**login, "open_to_read": False, "refused": app.WRONG_PASSWORD}
    yield "login, read-only stranger", "login.html", login
    yield "trouble", "trouble.html", {"title": app.TROUBLE_TITLE, "lines": ["[line]"]}
    yield "unsent", "unsent.html", {"title": endpoints.UNSENT_TITLE, "path": "/override", "fields": {"order": "heat"}}
