"""Questions to the running daemon: why, rule, override."""

from pathlib import Path
from typing import Any

import click

from daemon.cli.options import Duration, echo_json, echo_line, fitted, home_option, json_option
from daemon.timing.events import READER_LINK
from daemon.web.api.client import NotRunning, ask
from rules.model.errors import BrimfulError

MARKS = {"allow": "  allows ", "forbid": "HOLDS OFF", "require": "REQUIRES "}


@click.command()
@click.option("--at", "at", metavar="TIME", help="The decision that stood then, from the ledger.")
@click.option("--ledger", type=click.Path(path_type=Path), help="The ledger, with --at; else the home file's.")
@home_option
@json_option
def why(at: str | None, ledger: Path | None, home: Path, as_json: bool) -> None:
    """Show what the heater was ordered and why, what each rule finds, and what would change it."""
    if at is not None:
        from daemon.cli.value import decision_then

        answer = decision_then(at, home, ledger)
    else:
        answer = ask(home, "GET", "/api/why")
    if as_json:
        echo_json(answer)
        return
    if answer.get("mode") == "watch":
        then = "No orders were sent then" if at is not None else "Watching: no orders are sent"
        click.echo(fitted(f"{then}. By the rules it would be:"))
    click.echo(fitted(f"{answer['sentence']}."))
    if at is not None:
        click.echo(fitted(_since_when(answer)))
    click.echo()
    for finding in answer["findings"]:
        click.echo(fitted(f"  {MARKS[finding['verdict']]}  {finding['guard']:<9}  {finding['sentence']}", 24))
    heaters = answer.get("heaters", [])
    for one_heater in heaters if len(heaters) > 1 else ():
        click.echo(f"\n  {one_heater['heater']}: {one_heater['order']}, decided by {one_heater['guard']}")
    for name, reason in answer.get("links_down", {}).items():
        click.echo()
        what = name if name.startswith(READER_LINK) else f"no link to the broker for {name}"
        click.echo(fitted(f"  {what}: {reason}", 4))
    for alarm in answer.get("alarms", []):
        click.echo()
        click.echo(fitted(f"  alarm: {alarm['sentence']}", 9))


@click.command()
@click.argument("name", required=False)
@click.argument("settings", nargs=-1, metavar="[KEY=VALUE]...")
@home_option
@json_option
def rule(name: str | None, settings: tuple[str, ...], home: Path, as_json: bool) -> None:
    """Show the rules, or set one: brimful rule full stop_at_pct=92.

    A change is validated, keeps the file's comments, and applies without a restart.
    """
    if not settings:
        shown = _rules(home)
        if name is not None:
            if name not in shown["rules"]:
                raise BrimfulError("show a rule", name, f"expected one of {', '.join(shown['rules'])}, got {name!r}")
            shown["rules"] = {name: shown["rules"][name]}
        if as_json:
            echo_json(shown)
        else:
            for rule_name, keys in shown["rules"].items():
                click.echo(f"[rules.{rule_name}]")
                for key, entry in keys.items():
                    note = "" if entry["set"] else "   (default)"
                    click.echo(f"  {key:<22} {_toml(entry['value'])}{note}")
            if name is not None:
                for key, about in _explained(name).items():
                    click.echo()
                    click.echo(fitted(f"  {key}: {about}", 4))
        return
    wanted = dict(_pair(setting) for setting in settings)
    for caution in () if as_json else _before_change(home, str(name), wanted):
        echo_line(f"caution: {caution}", 9, err=True)
    changed = _change(home, str(name), wanted)
    if as_json:
        echo_json(changed)
        return
    for change in changed["changes"]:
        click.echo(f"rules.{name}.{change['key']}: {_toml(change['old'])} → {_toml(change['new'])}")
    if not changed["applied"]:
        click.echo("written; no daemon is running, it holds from the next start", err=True)


@click.command()
@click.argument("order", type=click.Choice(["withhold", "surplus", "heat", "clear"]))
@click.option("--for", "duration", type=Duration(), help="How long: 90min, 2h, 1d. Needed unless clearing.")
@click.option("--heater", help="Which heater; else the preferred one.")
@home_option
@json_option
def override(order: str, duration: float | None, heater: str | None, home: Path, as_json: bool) -> None:
    """Give the heater an order for a while, or clear it.

    It cannot defeat the temperature limit, stale inputs or a full tank.
    """
    if order == "clear":
        answer = ask(home, "POST", "/api/override", {"clear": True})
    elif duration is None:
        raise click.UsageError("an override always ends: add --for, such as --for 2h")
    else:
        for caution in _before_override(home, order):
            echo_line(f"caution: {caution}", 9, err=True)
        answer = ask(home, "POST", "/api/override", {"order": order, "for_s": duration, "heater": heater})
    if as_json:
        echo_json(answer)
    else:
        echo_line(answer["sentence"])


def _explained(name: str) -> dict[str, str]:
    """What each key of a rule means, in the words of the home file's schema; nothing for a rule it does not have."""
    from daemon.config.rule_tables import TABLES
    from daemon.config.schema import descriptions

    table = TABLES.get(name)
    return {} if table is None else descriptions(table)


def _since_when(answer: dict[str, Any]) -> str:
    """When the decision was made that stood at a time, and whether the ledger reaches as far as that time at all."""
    said = f"Decided at {answer['decided_at']}."
    known = answer["known_until"]
    if known is not None and known < answer["at"]:
        said += f" The ledger ends at {known}: what stood at {answer['at']} is not known."
    return said


def _before_override(home: Path, order: str) -> list[str]:
    """What to know before an override; nothing where the home file cannot be read here: the daemon answers then."""
    from daemon.config.cautions import of_override
    from daemon.config.load import load

    try:
        return of_override(load(home), order)
    except BrimfulError:
        return []


def _before_change(home: Path, name: str, wanted: dict[str, str]) -> list[str]:
    """What to know before a rule is changed; nothing where it will be refused."""
    from daemon.config.cautions import cautions
    from daemon.config.edit import preview_rule

    try:
        return cautions(preview_rule(home, name, wanted).home)
    except BrimfulError:
        return []


def _pair(setting: str) -> tuple[str, str]:
    key, equals, value = setting.partition("=")
    if not equals or not key:
        raise click.UsageError(f"expected KEY=VALUE, got {setting!r}")
    return key, value


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return "not set" if value is None else str(value)


def _rules(home: Path) -> dict[str, Any]:
    """The rules as the daemon has them, or as the file gives them when none is running."""
    try:
        return ask(home, "GET", "/api/rule")
    except NotRunning:
        from daemon.config.load import load
        from daemon.documents.rules_document import rules_answer

        return rules_answer(load(home))


def _change(home: Path, name: str, wanted: dict[str, str]) -> dict[str, Any]:
    try:
        return ask(home, "POST", "/api/rule", {"rule": name, "set": wanted, "file": str(home.resolve())})
    except NotRunning:
        from daemon.config.edit import set_rule
        from daemon.documents.rules_document import change_answer

        return change_answer(set_rule(home, name, wanted), applied=False)
