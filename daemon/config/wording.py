"""Turns what validation found into what a person reads: `KEY: expected …, got … (FILE); hint`."""

import json
from collections.abc import Iterator, Mapping, Sequence
from datetime import date, time
from decimal import Decimal
from difflib import get_close_matches
from typing import Any, Literal, get_args, get_origin

from pydantic import BaseModel, ValidationError

from daemon.config.places import Place, field_of, keys_of, locate
from daemon.config.values import Within, Words
from rules.model.errors import BrimfulError
from rules.model.wording import Number, joined, say

OP = "read the home file"

_UNITS = {  # by the end of a key's name; the longer ends first
    "pulses_per_kwh": say("pulses per kWh"),
    "kg_per_kwh": "kg/kWh",
    "kwh_per_month": say("kWh a month"),
    "price_per_t": say("money per tonne"),
    "per_day": say("money per day"),
    "price": say("money per kWh"),
    "margin": say("money per kWh"),
    "minutes": say("minutes"),
    "years": say("years"),
    "keep_months": say("months"),
    "baud": "baud",
    "_kwh": "kWh",
    "_kg": "kg",
    "_h": "h",
    "_w": "W",
    "_wh": "Wh",
    "_pct": "%",
    "_c": "°C",
    "_s": "s",
    "_l": "L",
    "_days": say("days"),
}
_PLAIN = {
    "bool_type": say("true or false"),
    "string_type": say("text in quotes"),
    "tuple_type": say("a list"),
    "model_type": say("a table"),
    "model_attributes_type": say("a table"),
    "dict_type": say("a table"),
}
_LONGEST = 60


def problem(key: str, expected: str, got: str, file_name: str, hint: str = "") -> BrimfulError:
    """One error of the home file. got: as `shown` gives it, or in words."""
    cause = say("expected {expected}, got {got} ({file})", expected=expected, got=got, file=file_name)
    return BrimfulError(OP, key, cause, hint)


def problems(root: type[BaseModel], invalid: ValidationError, raw: object, file_name: str) -> Iterator[BrimfulError]:
    """Every error of a validation, in words. root: the model; raw: what was validated."""
    for error in invalid.errors(include_url=False):
        kind, value, context = error["type"], error["input"], error.get("ctx", {})
        place = locate(root, error["loc"], raw)
        key, got, hint = place.key, shown(value), ""
        match kind:
            case "words":
                expected, hint = context["expected"], context["hint"]
                if "password" in expected:
                    got = say("one with them")  # never repeat what may hold a secret
            case "within":
                expected, hint = _range(context, place.field, value), _slip(context, place.field, value)
            case "extra_forbidden":
                expected, got, hint = say("a known key"), json.dumps(place.field, ensure_ascii=False), _known(place)
            case "missing":
                expected, got = _wanted(place), say("nothing")
            case "union_tag_not_found" | "union_tag_invalid":
                key, expected = f"{key}.kind", _either(place.kinds)
                got = shown(value.get("kind") if isinstance(value, Mapping) else None)
            case "literal_error":
                unit = unit_of(place.field)
                expected = joined((context["expected"].replace("'", '"'), unit), " ")
            case "too_short" if value:
                continue  # its items are wrong, and each has been said already
            case "too_short":
                expected = say("at least one")
            case _:
                expected = _PLAIN.get(kind, error["msg"])
        yield problem(key, expected, got, file_name, hint)


def shown(value: object) -> str:
    """A value as the file has it, short and on one line."""
    match value:
        case None:
            return say("nothing")
        case bool():
            return "true" if value else "false"
        case int() | float() | Decimal():
            text: str = plain(value)
        case date() | time():
            text = value.isoformat()
        case str():
            text = json.dumps(value[:_LONGEST], ensure_ascii=False)
        case Mapping():
            return say("a table")
        case _:
            if value == []:
                return say("an empty list")
            return say("a list") if isinstance(value, Sequence) else say("something else")
    return text if len(text) <= _LONGEST else text[: _LONGEST - 1] + "…"


def plain(value: int | float | Decimal) -> Number:
    """A number without needless digits; never a long one."""
    if isinstance(value, int):
        long = f"a number of {value.bit_length() * 30103 // 100000 + 1} digits"
        return Number(str(value) if abs(value) < 10**18 else long)
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e9:
        return Number(str(int(value)))
    return Number(f"{value:g}" if isinstance(value, float) else str(value).lower())


def unit_of(key: str) -> str:
    """The unit a key's name carries, or ""."""
    return next((unit for suffix, unit in _UNITS.items() if key.endswith(suffix)), "")


def close(word: str, known: Sequence[str]) -> str:
    """A hint at the known word that was probably meant, or the list of them."""
    near = get_close_matches(word, known, 1, 0.6) or [each for each in known if word and each.startswith(word)]
    if len(near) == 1:
        return say("{name} is meant?", name=near[0])
    return say("known here: {names}", names=", ".join(known)) if known else ""


def _either(words: Sequence[object]) -> str:
    quoted = [shown(word) for word in words]
    first = ", ".join(quoted[:-1])
    return say("{first} or {last}", first=first, last=quoted[-1]) if first else quoted[-1]


def _range(context: Mapping[str, Any], field: str, value: object) -> str:
    """What number is expected; that it is to be a number is only said to whom gave none."""
    is_number = isinstance(value, int | float | Decimal) and not isinstance(value, bool)
    if isinstance(value, Decimal) and value.is_nan():
        is_number = False
    fits = is_number and (not context["whole"] or isinstance(value, int))
    low, high = plain(context["low"]), plain(context["high"])
    if context["above"]:
        span = say("above {low} up to {high}", low=low, high=high)
    else:
        span = say("{begin} to {end}", begin=low, end=high) if context["low"] < 0 else joined((low, high), "–")
    kind = "" if fits else say("a whole number") if context["whole"] else say("a number")
    return joined((kind, span, unit_of(field)), " ")


def _slip(context: Mapping[str, Any], field: str, value: object) -> str:
    """A hint at the slip that was probably made."""
    if isinstance(value, str):
        return say("write a number without quotes") if _is_number(value) else ""
    if not isinstance(value, int | float | Decimal) or isinstance(value, bool):
        return ""
    if value != value:  # not a number, which nothing may be compared with; isnan() cannot take every integer
        return ""
    unit = unit_of(field)
    if unit == "W" and value > 0:
        return say("kW given where W is meant?")
    if unit == "%" and 0 < value < context["low"]:
        return say("a share given where % is meant?")
    if isinstance(value, Decimal) and context["low"] <= value <= context["high"]:
        return say("without a decimal point") if context["whole"] else say("at most nine decimal places")
    return ""


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _known(place: Place) -> str:
    if place.table is None:
        return ""
    keys = keys_of(place.table)
    hint = close(place.field, keys)
    secret = place.field.lower() in {"password", "token", "secret"}
    return joined((hint, say("a secret is never written into the home file")), " ") if secret else hint


def _wanted(place: Place) -> str:
    """What is expected of a key that is missing."""
    info = field_of(place.table, place.field) if place.table is not None else None
    if info is None:
        return say("a value")
    for mark in info.metadata:
        if isinstance(mark, Words):
            return mark.expected
        if isinstance(mark, Within):
            return _range({**vars(mark), "whole": info.annotation is int}, place.field, None)
    if get_origin(info.annotation) is Literal:
        return _either(get_args(info.annotation))
    is_table = get_origin(info.annotation) is dict or isinstance(info.annotation, type)
    return say("a table [{key}]", key=place.key) if is_table else say("a value")
