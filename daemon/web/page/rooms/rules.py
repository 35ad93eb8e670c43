"""Rules: what they are set to, what they decided, and a change that is tried before it is made."""

import asyncio
from collections.abc import Mapping
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from daemon.assembly.prepared_home import prepare
from daemon.config.cautions import cautions, new_cautions
from daemon.config.edit import Change, preview_rule
from daemon.config.model import Home
from daemon.documents.rules_document import change_answer, change_said, rules_answer
from daemon.web.page import ledger_queries as gather
from daemon.web.page.endpoints import Endpoints, lines_of
from daemon.web.page.trials import Trials, Tried
from daemon.web.page.views.deciding import Decided
from daemon.web.page.views.figures import minutes
from daemon.web.page.views.rule_sentences import TITLES
from daemon.web.page.views.rules import (
    RuleShown,
    changed_shown,
    rule_shown,
    rules_room,
    trial_shown,
    week_shown,
)
from daemon.web.server.context import House
from daemon.web.server.refusals import Refusal
from rules.model.errors import BrimfulError
from rules.model.wording import say

PATH, TITLE = "/rules", say("Rules")
KEPT_S = 30.0


def routes(page: Endpoints) -> list[BaseRoute]:
    """Its paths."""
    trials = Trials()

    async def show_rule(house: House, request: Request) -> Mapping[str, Any]:
        name = request.path_params["rule"]
        rule = await _rule(house, name)
        return {"title": called(name), "room": PATH, "rule": rule, "problems": (), "entered": _texts(rule)}

    async def try_it(request: Request, form: dict[str, str]) -> Response:
        house, name = page.house, request.path_params["rule"]
        home = house.home()
        rule = await _rule(house, name)
        known = _texts(rule)
        entered = {key: text.strip() for key, text in form.items() if text.strip() != known.get(key)}
        try:
            if not entered:
                cause = say("expected a setting that differs, got none")
                raise BrimfulError("change a rule", f"rules.{name}", cause)
            change = await asyncio.to_thread(_preview, home, name, entered)
            if not change.keys:
                cause = say("nothing that holds would change")
                raise BrimfulError("change a rule", f"rules.{name}", cause, say("the values are those of now"))
        except BrimfulError as refused:
            context = {"title": called(name), "room": PATH, "rule": rule, "problems": lines_of(refused)}
            return page.renderer.page(request, "rule.html", {**context, "entered": {**known, **form}}, 400)
        warned = new_cautions(cautions(home), cautions(change.home))
        picture = await house.picture()
        begun = trials.begin(home, change, entered, warned, picture.at_s)
        return RedirectResponse(f"{PATH}/{name}/trial/{begun}", 303)

    async def show_trial(house: House, request: Request) -> Response:
        name = request.path_params["rule"]
        tried = trials.find(request.path_params["trial"])
        if tried is None or tried.change.rule != name:  # the daemon was restarted, or others were tried since
            return RedirectResponse(f"{PATH}/{name}", 303)
        template = "trial_part.html" if "part" in request.query_params else "trial.html"
        answer = page.renderer.page(request, template, _trial(tried, house.home().home.timezone))
        answer.headers["X-Ended"] = "yes" if tried.trial.ended else "no"
        return answer

    async def save(house: House, form: dict[str, str]) -> str:
        name = form.pop("rule", "")
        await house.asking.ask("rule", {"rule": name, "set": form, "file": str(house.home().file.resolve())})
        house.shelf.forget()
        return f"{PATH}?changed={name}"

    async def save_rule(request: Request, form: dict[str, str]) -> Response:
        return RedirectResponse(await save(page.house, {**form, "rule": request.path_params["rule"]}), 303)

    return [
        Route(PATH, page.room("rules.html", show), methods=["GET"]),
        Route(f"{PATH}/{{rule}}", page.room("rule.html", show_rule), methods=["GET"]),
        *page.posting(f"{PATH}/{{rule}}/try", page.form(try_it), f"{PATH}/{{rule}}"),
        Route(f"{PATH}/{{rule}}/trial/{{trial}}", page.reading(show_trial), methods=["GET"]),
        *page.posting(f"{PATH}/{{rule}}/save", page.form(save_rule), f"{PATH}/{{rule}}"),
    ]


async def show(house: House, request: Request) -> Mapping[str, Any]:
    """What stands in the room."""
    home = house.home()
    week = await _week(house, home)
    changed = request.query_params.get("changed", "")
    known = rules_answer(home)
    return {
        "title": TITLE,
        "room": PATH,
        "rules": rules_room(known, week, home.home.currency),
        "week": week_shown(week),
        "known": minutes(week.known_s) if week is not None else "",
        "heater": home.heater_names[0],
        "done": done(changed) if changed in known["rules"] else "",
    }


def done(rule: str) -> str:
    """That a rule has been changed."""
    return say("The rule {rule} is changed and applies from now on.", rule=rule)


def called(rule: str, *, tried: bool = False) -> str:
    """What the page of a rule, or of a change of it that is tried, is called."""
    return say("Rule {rule}, tried", rule=rule) if tried else say("Rule {rule}", rule=rule)


def _preview(home: Home, name: str, entered: Mapping[str, str]) -> Change:
    """The change, refused as the daemon would refuse it."""
    change = preview_rule(home.file, name, entered)
    prepare(change.home)
    return change


async def _rule(house: House, name: str) -> RuleShown:
    home = house.home()
    keys = rules_answer(home)["rules"].get(name)
    if keys is None:
        raise Refusal(404, "rule", say("expected one of the home file's rules"), say("see {place}", place=PATH))
    return rule_shown(name, keys, await _week(house, home), home.home.currency)


async def _week(house: House, home: Home) -> Decided | None:
    now_s = (await house.picture()).at_s
    heater = home.heater_names[0]
    try:
        return await house.shelf.ask(("week", heater), KEPT_S, lambda: gather.week(home, heater, now_s))
    except BrimfulError:
        return None  # the rules are shown all the same


def _texts(rule: RuleShown) -> dict[str, str]:
    return {key.name: key.text for key in rule.settings}


def _trial(tried: Tried, timezone: str) -> Mapping[str, Any]:
    trial = tried.trial
    return {
        "title": called(tried.change.rule, tried=True),
        "room": PATH,
        "rule": tried.change.rule,
        "called": TITLES.get(tried.change.rule, tried.change.rule),
        "changes": changed_shown(change_answer(tried.change, applied=False)),
        "cautions": tried.warned,
        "entered": tried.entered,
        "trial": trial_shown(trial.ended, trial.done, trial.fault, trial.outcome, timezone),
        "said": change_said(tried.change),
    }
