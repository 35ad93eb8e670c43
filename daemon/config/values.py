"""The kinds of value a home file holds, each with the words in which it is asked for.

A refused value is reported as "expected WORDS, got VALUE", so every type that a person fills in carries its words.
"""

from datetime import date, datetime
from decimal import Decimal
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, GetCoreSchemaHandler
from pydantic_core import CoreSchema, core_schema

from rules.model.wording import say

_DECIMAL_PLACES = 9  # beyond a millionth of a cent; a bound, so that 1e-999999 cannot become a fraction of megabytes


class Table(BaseModel):
    """A table of the home file: unknown keys refused, nothing converted, nothing changed after reading."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False, defer_build=True)


class Words:
    """Marks a type with what is expected of it, in words, and a hint where a common slip can be named."""

    def __init__(self, expected: str, hint: str = "") -> None:
        self.expected = expected
        self.hint = hint

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.custom_error_schema(
            handler(source), "words", custom_error_message="{expected}", custom_error_context=vars(self)
        )


class Within:
    """Marks a number with its range, both ends included (`above`: the low end is not).

    Stands on float (TOML integers and decimals are both taken), Decimal (exact, for money and shares) or int.
    """

    def __init__(self, low: int | float, high: int | float, *, above: bool = False) -> None:
        self.low = low
        self.high = high
        self.above = above

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        bounds: dict[str, Any] = {"gt" if self.above else "ge": self.low, "le": self.high}
        inner: CoreSchema
        if source is Decimal:
            places = core_schema.decimal_schema(strict=True, decimal_places=_DECIMAL_PLACES, **bounds)
            inner = core_schema.no_info_before_validator_function(_exact, places)
        elif source is int:
            inner = core_schema.int_schema(strict=True, **bounds)
        else:
            inner = core_schema.no_info_before_validator_function(
                _number, core_schema.float_schema(strict=True, allow_inf_nan=False, **bounds)
            )
        context = {"low": self.low, "high": self.high, "above": self.above, "whole": source is int}
        return core_schema.custom_error_schema(
            inner, "within", custom_error_message="out of range", custom_error_context=context
        )


def _number(value: object) -> object:
    return float(value) if isinstance(value, Decimal) else value


def _exact(value: object) -> object:
    return Decimal(value) if isinstance(value, int) and not isinstance(value, bool) else value


def _without_offset(value: date | datetime) -> date | datetime:
    if isinstance(value, datetime) and value.tzinfo is not None:
        raise ValueError("a local time is expected")
    return value


Name = Annotated[
    str,
    Field(pattern=r"^[a-z][a-z0-9_]{0,39}$"),
    Words(say("a name of small letters, digits and _ that starts with a letter")),
]
Text = Annotated[str, Field(min_length=1, max_length=200), Words("text in quotes")]
Payload = Annotated[
    str, Field(min_length=1, max_length=200), Words("the payload as text in quotes", 'write it in quotes, as in "1"')
]
Topic = Annotated[
    str,
    Field(pattern=r"^[^+#\x00]{1,1000}$"),
    Words(
        "an MQTT topic without + and #", "each signal has one topic of its own; a pointer picks a part of the payload"
    ),
]
OrderTopic = Annotated[
    str,
    Field(pattern=r"^[^+#\x00$][^+#\x00]{0,999}$"),
    Words("an MQTT topic without + and #, not starting with $"),
]
Pointer = Annotated[
    str,
    Field(pattern=r"^(/([^~]|~[01])*)?$", max_length=1000),
    Words('a JSON pointer (RFC 6901) such as "/power/kw"', "it starts with /; ~ is written ~0 and / inside a name ~1"),
]
Clock = Annotated[
    str,
    Field(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$"),
    Words('a time such as "02:00"', 'in quotes, 00:00 to 23:59; midnight is "00:00"'),
]
Day = Annotated[date, Words(say("a date such as 2026-01-31"), say("a date is written without quotes"))]
LocalTime = Annotated[
    date | datetime,
    AfterValidator(_without_offset),
    Words(
        say("a date or a local date-time such as 2026-08-01 or 2026-08-01T18:00:00"),
        say("without quotes and without offset"),
    ),
]
FilePath = Annotated[
    str,
    Field(min_length=1, max_length=1000, pattern=r"^[^\x00]+$"),
    Words(say("a path in quotes, relative to the home file")),
]
FeedUrl = Annotated[
    str,
    Field(pattern=r"^https?://[^\s/@?#]+(/[^\s#]*)?(\?[^\s#]*)?$", max_length=1000),
    Words("an http or https address without user or password"),
]
Currency = Annotated[
    str, Field(pattern=r"^[A-Z]{3}$"), Words('a currency code of three capital letters (ISO 4217) such as "EUR"')
]
Price = Annotated[Decimal, Within(-10000, 10000)]
"""Money per kWh, exact."""
