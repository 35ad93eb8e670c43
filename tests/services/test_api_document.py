"""The API's document against the real answers of a daemon with a day in its books, and against whatever else comes."""

import json
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from jsonschema import Draft202012Validator, FormatChecker
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from daemon.assembly.prepared_home import prepare
from daemon.config.load import load
from daemon.mqtt.address import BrokerAddress
from daemon.runtime.service import Service
from daemon.timing.clock import SteppedClock
from daemon.web.api.client import ask, token_file
from daemon.web.api.openapi import OPERATIONS, document
from daemon.web.site.application import QUESTIONS, READ, WISHES
from tests.support.broker import free_port

pytestmark = pytest.mark.services

WITHIN_S = 30.0
COOKIE = "brimful-0123abcd"
NOW_S = 1_781_300_000.0
BRIMFUL = (sys.executable, "-c", "from daemon.cli import main; main()")


def foreseen(context: Any, response: Any, case: Any) -> None:
    """An answer that is late on a busy machine is documented; an error that nobody foresaw is one too many."""
    assert response.status_code != 500, response.text


CHECKS = [foreseen, status_code_conformance, content_type_conformance, response_schema_conformance]


def brimful(*arguments: str) -> str:
    done = subprocess.run(
        [*BRIMFUL, *arguments], check=True, capture_output=True, text=True, cwd=Path(__file__).parents[2]
    )
    return done.stdout


@pytest.fixture(scope="module")
def service(demo_day: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """The demo's house with its first day booked, and nothing on the wires."""
    folder = shutil.copytree(demo_day / "demo", tmp_path_factory.mktemp("larch") / "demo")
    home = load(folder / "home.toml")
    made = Service(prepare(home), BrokerAddress("127.0.0.1", free_port()), SteppedClock(NOW_S), stepped_from_s=NOW_S)
    made.start()
    ask(home.file, "POST", "/api/override", {"clear": True})  # written down at once, with all that is settled
    yield made
    made.stop()
    assert made.join(WITHIN_S)


def validator(model: str) -> Draft202012Validator:
    schema = {"$ref": f"#/components/schemas/{model}", **document(COOKIE)}
    return Draft202012Validator(schema, format_checker=FormatChecker())


def test_the_document_is_one_and_names_every_path(service: Service) -> None:
    told = ask(service.home.file, "GET", "/api/openapi.json")
    cookie = told["components"]["securitySchemes"]["login"]["name"]
    assert cookie.startswith("brimful-")
    assert told == document(cookie)
    assert told["openapi"] == "3.1.0"
    known = {("get", path) for path in (*QUESTIONS, *READ)} | {("post", path) for path in WISHES}
    assert {(operation.method, operation.path) for operation in OPERATIONS} == known


@pytest.mark.parametrize(
    ("method", "path", "wish", "model"),
    [
        ("GET", "/api/why", None, "Why"),
        ("GET", "/api/health", None, "Health"),
        ("GET", "/api/rule", None, "Rules"),
        ("GET", "/api/value", None, "Value"),
        ("GET", "/api/value?by=interval&from=2026-06-10&to=2026-06-11", None, "Value"),
        ("GET", "/api/stock", None, "Stock"),
        ("GET", "/api/stock?by=day", None, "Stock"),
        ("GET", "/api/restating", None, "Restating"),
        ("POST", "/api/rule", {"rule": "full", "set": {"stop_at_pct": "93"}}, "RuleChanged"),
        ("POST", "/api/override", {"order": "withhold", "for_s": 60}, "OverrideSet"),
        ("POST", "/api/override", {"clear": True}, "OverrideSet"),
    ],
)
def test_the_real_answers_have_the_documented_shape(
    service: Service, method: str, path: str, wish: dict[str, Any] | None, model: str
) -> None:
    answer = ask(service.home.file, method, path, wish)
    assert list(validator(model).iter_errors(answer)) == []
    documented = document(COOKIE)["components"]["schemas"][model]["properties"]
    assert set(answer) == set(documented), "every key is documented"
    for rows in ("rows", "findings", "inputs"):
        for row in answer.get(rows, [])[:1]:
            items = document(COOKIE)["components"]["schemas"][documented[rows]["items"]["$ref"].rpartition("/")[2]]
            assert set(row) <= set(items["properties"])


def test_a_wish_is_documented_as_it_is_taken() -> None:
    refused = {"OverrideWish": {"order": "quick"}, "RuleWish": {"set": {}}, "ResendWish": {"ledger": "x"}}
    for model, wish in refused.items():
        assert list(validator(model).iter_errors(wish)), model


@pytest.mark.parametrize("by", ["day", "week", "month", "year", "interval"])
def test_the_ledgers_answers_are_those_of_the_command(service: Service, by: str) -> None:
    home = service.home.file
    for name in ("value", "stock"):
        told = json.loads(brimful(name, "--by", by, "--from", "2026-06-10T06:00", "--json", "--home", str(home)))
        assert ask(home, "GET", f"/api/{name}?by={by}&from=2026-06-10T06:00") == told
    assert told["rows"]


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ("by=hour", "by: expected one of interval, day, week, month, year, got 'hour'"),
        ("from=soon", "time: expected a date like"),
        ("from=2026-06-10&to=2026-06-10", "to: expected a time after 2026-06-10, got 2026-06-10"),
        ("since=2026", "since: expected one of by, from, to"),
        ("by=interval&from=1990-01-01&to=2026-01-01", "by: expected a span of at most 5000 rows, got about 631"),
    ],
)
def test_a_question_that_cannot_be_answered_is_refused_in_words(service: Service, query: str, said: str) -> None:
    with pytest.raises(Exception, match=said):
        ask(service.home.file, "GET", f"/api/value?{query}")


# The daemon's threads draw the waits between their attempts at the broker from `random` meanwhile; no strategy does.
@pytest.mark.filterwarnings("ignore:Do not use the `random` module:hypothesis.errors.HypothesisDeprecationWarning")
@pytest.mark.parametrize("examples", [15, pytest.param(400, marks=pytest.mark.long)])
@pytest.mark.parametrize("operation", OPERATIONS, ids=lambda one: f"{one.method} {one.path}")
def test_whatever_is_asked_is_answered_as_documented(service: Service, operation: Any, examples: int) -> None:
    token = token_file(service.home.path_of(service.home.ledger.path)).read_text().strip()
    schema = schemathesis.openapi.from_dict(document(COOKIE))
    schema.config.update(base_url=f"http://127.0.0.1:{service.api.port}")

    @settings(
        max_examples=examples,
        deadline=None,
        database=None,
        phases=[Phase.explicit, Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=schema[operation.path][operation.method].as_strategy())
    def holds(case: Any) -> None:
        case.call_and_validate(headers={"Authorization": f"Bearer {token}"}, checks=CHECKS)

    holds()
