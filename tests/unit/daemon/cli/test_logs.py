"""The log as JSON: one object a line, whatever is logged."""

import json
import logging
import sys
from typing import Any

import pytest

from daemon.cli.logs import JsonLines


def line(message: object, *arguments: object, failed: bool = False) -> dict[str, Any]:
    failure = sys.exc_info() if failed else None
    record = logging.LogRecord("daemon.x", logging.WARNING, "x.py", 1, message, arguments, failure)
    record.created = 1_781_092_800.25
    written = JsonLines().format(record)
    assert "\n" not in written
    told: dict[str, Any] = json.loads(written, parse_constant=lambda name: pytest.fail(f"{name} is not JSON"))
    return told


def test_a_line_has_its_time_level_and_what_it_begins_with_as_fields() -> None:
    assert line("heater=%s order=%s watts=%d %s", "main", "surplus", 1500, "a=1: 1500 W") == {
        "time": "2026-06-10T12:00:00.250Z",
        "level": "warning",
        "logger": "daemon.x",
        "message": "heater=main order=surplus watts=1500 a=1: 1500 W",
        "fields": {"heater": "main", "order": "surplus", "watts": 1500},
    }


@pytest.mark.parametrize(
    ("message", "arguments", "fields"),
    [
        ("clock=set %s", ("forward by 3 s",), {"clock": "set"}),
        ("home=%s %s", ("Wren Hut", "read again"), {"home": "Wren Hut"}),
        ("loop=failed %s: %s", ("ValueError", "x"), {"loop": "failed"}),
        ("order=%r is none the diverter knows", (b"1",), {"order": "b'1'"}),
        ("loop=hangs for %.0f s", (31.7,), {"loop": "hangs"}),
        ("age_s=%.1f", (2.5,), {"age_s": 2.5}),
        ("age_s=%.1f", (float("inf"),), {"age_s": "inf"}),
        ("%s=%s %s", ("alarm", "level-still", "it stands still"), {"alarm": "level-still"}),
        ("running home=%s", ("Wren Hut",), {}),
        ("100 % sure", (), {}),
        (ValueError("said=by an error"), (), {"said": "by"}),
    ],
)
def test_fields_are_only_what_it_begins_with(message: object, arguments: tuple[object, ...], fields: object) -> None:
    assert line(message, *arguments)["fields"] == fields


def test_lines_and_quotes_in_it_stay_inside_and_a_failure_has_its_traceback() -> None:
    try:
        raise ValueError('a "b"\nc')
    except ValueError as failure:
        told = line("thread=%s failed: %s", "loop", failure, failed=True)
    assert told["message"] == 'thread=loop failed: a "b"\nc'
    assert told["fields"] == {"thread": "loop"}
    assert told["traceback"].startswith("Traceback")
