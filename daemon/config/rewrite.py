"""Changes keys of a rule in a home file's text, and nothing else in it. tomlkit is imported when it is needed."""

import contextlib
import re
from collections.abc import Mapping
from copy import deepcopy
from decimal import Decimal
from typing import Any

from daemon.config.load import loads

_MOST_DIGITS = 400
"""A number of more digits than this is written with its exponent."""


def rewritten(text: str, rule: str, wanted: Mapping[str, Any]) -> str:
    """The text with keys of a rule set, or taken out where None. wanted: plain TOML values, by key.

    Raises ValueError where the text's layout defeats a change that keeps all else.
    """
    expected = _as_data(loads(text), rule, wanted)
    for way in (_by_lines, _whole):
        # Not trusted but checked: what comes out must read as the same data with the one change in it.
        with contextlib.suppress(Exception):
            changed = way(text, rule, wanted)
            if loads(changed) == expected:
                return changed
    raise ValueError(f"no way to change {rule}")


def _as_data(data: dict[str, Any], rule: str, wanted: Mapping[str, Any]) -> dict[str, Any]:
    changed = deepcopy(data)
    table = changed.setdefault("rules", {}).setdefault(rule, {})
    for key, value in wanted.items():
        if value is None:
            table.pop(key, None)
        else:
            table[key] = value
    return changed


def _by_lines(text: str, rule: str, wanted: Mapping[str, Any]) -> str:
    """The lines of the rule's own table changed, and no other.

    New keys stand at the table's end, above the comments that lead to what follows. A new table stands below the last
    of the rules; where there is none, at the end of the file.
    """
    lines = text.split("\n")
    headers = [number for number, line in enumerate(lines) if line.lstrip().startswith("[")]
    own = [number for number in headers if re.match(rf"\s*\[\s*rules\s*\.\s*{rule}\s*\]", lines[number])]
    rules = own or [number for number in headers if re.match(r"\s*\[\s*rules\s*[.\]]", lines[number])]
    first = rules[-1] + 1 if rules else len(lines)
    end = next((number for number in headers if number >= first), len(lines))
    while rules and (not lines[end - 1].strip() or lines[end - 1].lstrip().startswith("#")):
        end -= 1
    body = [line.removesuffix("\r") for line in lines[first:end]] if own else ["", f"[rules.{rule}]"]
    for key, value in wanted.items():
        body = _with_key(body, key, value)
    carriage = "\r" if "\r\n" in text else ""
    lines[first if own else end : end] = [line + carriage for line in body]
    return "\n".join(lines) if lines[-1] == "" else "\n".join([*lines, ""])


def _with_key(body: list[str], key: str, value: Any) -> list[str]:
    """A table's lines with one key set, or taken out where None; the comment behind a value stays."""
    import tomlkit

    start = next((number for number, line in enumerate(body) if re.match(rf"\s*{key}\s*=", line)), None)
    if start is None:
        return body if value is None else [*body, f"{key} = {tomlkit.item(_item(value)).as_string()}"]
    for end in range(start + 1, len(body) + 1):  # a value may go on over several lines
        with contextlib.suppress(tomlkit.exceptions.ParseError):
            line = tomlkit.parse("\n".join(body[start:end]))
            if value is None:
                return body[:start] + body[end:]
            line[key] = _item(value)
            return body[:start] + tomlkit.dumps(line).split("\n") + body[end:]
    raise ValueError(f"no end of {key}")


def _whole(text: str, rule: str, wanted: Mapping[str, Any]) -> str:
    """Where the rule has no table of its own (inline, dotted): by a parser that keeps layout, but for some blanks."""
    import tomlkit

    document = tomlkit.parse(text)
    rules: Any = document.setdefault("rules", tomlkit.table(is_super_table=True))
    table = rules.setdefault(rule, tomlkit.table())
    for key, value in wanted.items():
        if value is not None:
            table[key] = _item(value)
        elif key in table:
            del table[key]
    return tomlkit.dumps(document)


def _item(value: Any) -> Any:
    """A value as tomlkit writes it: a decimal as it was written, tables in a list on one line."""
    import tomlkit

    match value:
        case Decimal():
            # Written out, 1e-999999999 would be a gigabyte of zeros.
            return tomlkit.value(f"{value:f}" if abs(value.adjusted()) <= _MOST_DIGITS else str(value))
        case [dict(), *_]:
            items = tomlkit.array()
            for each in value:
                line = tomlkit.inline_table()
                line.update(each)
                items.append(line)
            return items
        case _:
            return value
