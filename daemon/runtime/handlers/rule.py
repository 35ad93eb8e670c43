"""A changed rule: written into the home file and obeyed at once."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daemon.config.edit import Change, set_rule
from daemon.config.model import Home
from daemon.documents.rules_document import change_answer, rules_answer
from daemon.runtime.reloading import HomeFile
from rules.model.errors import BrimfulError
from rules.model.reading import Moment

_OP = "change a rule"


@dataclass(frozen=True, slots=True)
class ChangeRule:
    """Set keys of a rule, as text. file: the home file that is meant, where somebody says so."""

    rule: str
    settings: Mapping[str, str]
    file: Path | None


def read_change(arguments: Mapping[str, Any]) -> ChangeRule:
    """{"rule": NAME, "set": {KEY: VALUE, …}, "file": PATH (may be missing)}. Raises BrimfulError."""
    name, wanted, file = arguments.get("rule"), arguments.get("set"), arguments.get("file")
    if not isinstance(name, str) or not isinstance(wanted, dict):
        raise BrimfulError(_OP, "request", 'expected {"rule": NAME, "set": {KEY: VALUE}}')
    settings = {str(key): _text(value) for key, value in wanted.items()}
    return ChangeRule(name, settings, None if file is None else Path(str(file)))


def _text(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return str(value)


def changed_file(home: Home, wish: ChangeRule, fits: Callable[[Home], object]) -> Change:
    """Set a rule in the home file. fits: as for `set_rule`. Raises BrimfulError."""
    if wish.file is not None and wish.file != home.file.resolve():
        raise BrimfulError(
            _OP,
            str(wish.file),
            f"expected the running daemon's home file {home.file.resolve()}",
            "another home's daemon answers at this port",
        )
    return set_rule(home.file, wish.rule, wish.settings, fits)


class Rules:
    """Shows the rules and changes one."""

    def __init__(self, home_file: HomeFile) -> None:
        self._home_file = home_file

    def show(self, now: Moment) -> dict[str, Any]:
        """Every rule with its settings."""
        return rules_answer(self._home_file.home)

    def change(self, wish: ChangeRule, now: Moment) -> dict[str, Any]:
        """Raises BrimfulError: it does not fit, and nothing has changed."""
        change = self._home_file.change(lambda home, fits: changed_file(home, wish, fits), now)
        return change_answer(change, applied=True)
