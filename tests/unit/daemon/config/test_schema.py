"""The published schema is the models' own, says what every key means, and accepts what loads."""

import json
import tomllib
from datetime import date, datetime
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from daemon.config import schema
from daemon.config.model import Home
from daemon.config.places import keys_of
from tests.support.homes import EXAMPLE, SMALL, TWO_HEATERS

PUBLISHED = Path(__file__).parents[4] / "deploy" / "home.schema.json"


def as_json(value: Any) -> Any:
    """TOML as editors hand it to a schema: dates as text."""
    if isinstance(value, dict):
        return {key: as_json(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [as_json(inner) for inner in value]
    return value.isoformat() if isinstance(value, date | datetime) else value


def errors(text: str) -> list[str]:
    found = jsonschema.Draft202012Validator(json.loads(PUBLISHED.read_text())).iter_errors(as_json(tomllib.loads(text)))
    return [error.message for error in found]


def test_the_published_schema_is_current() -> None:
    assert PUBLISHED.read_text() == schema.text(), "python -m daemon.config.schema > deploy/home.schema.json"


def test_the_published_schema_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(json.loads(PUBLISHED.read_text()))


@pytest.mark.parametrize("text", [SMALL, TWO_HEATERS, EXAMPLE.read_text()], ids=["small", "two heaters", "example"])
def test_what_loads_is_accepted(text: str) -> None:
    assert errors(text) == []


@pytest.mark.parametrize(
    ("was", "becomes"),
    [
        ("rated_w = 3000", "rated_w = 95000"),
        ("rated_w = 3000", 'rated_w = "3000"'),
        ("rated_w = 3000", "rated = 3000"),
        ("price = 0.0850", "price = 1e9"),
        ('from = "00:30"', 'from = "0:30"'),
        ('topic = "tern/car"', 'topic = "tern/+"'),
        ("share = 0.7", "share = 0"),
        ('clock = "utc"', 'clock = "sun"'),
        ("from = 2026-12-24T12:00:00,", "from = 2026-12-24T12:00:00Z,"),
    ],
)
def test_what_is_refused_is_refused_by_the_schema_too(was: str, becomes: str) -> None:
    text = EXAMPLE.read_text()
    assert was in text
    assert errors(text.replace(was, becomes, 1))


def test_every_key_says_what_it_means() -> None:
    silent = [
        f"{model.__name__}.{name}"
        for model in schema.models(Home)
        for name in model.model_fields
        if len(schema.descriptions(model).get(name, "")) < 5
    ]
    assert silent == []


def test_every_table_says_what_it_is() -> None:
    assert [model.__name__ for model in schema.models(Home) if not (model.__doc__ or "").strip()] == []


def test_every_key_of_every_rule_and_table_is_in_the_schema() -> None:
    definitions = json.loads(PUBLISHED.read_text())["$defs"]
    for model in schema.models(Home):
        if model is not Home:
            assert list(definitions[model.__name__]["properties"]) == keys_of(model)
