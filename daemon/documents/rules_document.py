"""The rules and a change of one, as JSON (`brimful.rule/1`, `brimful.rule-change/1`) and in a line."""

from typing import Any

from daemon.config.cautions import cautions
from daemon.config.edit import Change, rules_shown
from daemon.config.model import Home


def rules_answer(home: Home) -> dict[str, Any]:
    """Every rule with its settings."""
    return {
        "schema": "brimful.rule/1",
        "home": home.home.name,
        "rules": {
            name: {key: {"value": shown.value, "set": shown.is_set} for key, shown in keys.items()}
            for name, keys in rules_shown(home).items()
        },
    }


def change_answer(change: Change, applied: bool) -> dict[str, Any]:
    """A changed rule."""
    return {
        "schema": "brimful.rule-change/1",
        "rule": change.rule,
        "changes": [{"key": key.key, "old": key.old, "new": key.new} for key in change.keys],
        "cautions": cautions(change.home),
        "applied": applied,
    }


def change_said(change: Change) -> str:
    """A change in a line, for those who look back: "rules.full: stop_at_pct 95 → 92"."""
    keys = ", ".join(f"{key.key} {_text_or_none(key.old)} → {_text_or_none(key.new)}" for key in change.keys)
    return f"rules.{change.rule}: {keys or 'nothing differs'}"


def _text_or_none(value: Any) -> str:
    return "(none)" if value is None else _text(value)


def _text(value: Any) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)
