"""The API's document (OpenAPI 3.1), made of the shapes of its answers when somebody asks for it."""

import inspect
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.metadata import version
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from accounting.model.periods import BY
from daemon.web.api import ledger_schemas
from daemon.web.api import schemas as shapes
from daemon.web.server.access import FORM_HEADER

_REF = "#/components/schemas/{model}"
_SPAN = (
    {
        "name": "from",
        "in": "query",
        "description": "Start: a local date, or a time with offset.",
        "schema": {"type": "string", "examples": ["2026-06-01", "2026-06-01T12:00Z"]},
    },
    {
        "name": "to",
        "in": "query",
        "description": "End, not included: a date is its first instant.",
        "schema": {"type": "string", "examples": ["2026-07-01"]},
    },
)
_BY = {"name": "by", "in": "query", "description": "Length of a row.", "schema": {"type": "string", "enum": [*BY]}}
_ERRORS = {
    "400": "what was asked cannot be done as it stands; the text says what to mend",
    "401": "a login or the token is needed",
    "403": "who asks may not",
    "409": "another home is meant (header Brimful-Home); its daemon does not answer at this port",
    "413": "the request is too long",
    "500": "an error that nobody foresaw; it is in the daemon's log",
    "503": "no answer in time, or too many questions at a time",
}


_TO_CHANGE: list[dict[str, Any]] = [{"token": []}, {"login": [], "form": []}]
_TO_READ: list[dict[str, Any]] = [{}, {"token": []}, {"login": []}]
"""Where the server can be reached from this machine alone, reading needs neither."""


@dataclass(frozen=True, slots=True)
class Operation:
    """One thing that can be asked or wished. wish: the shape of its body."""

    method: str
    path: str
    says: type[BaseModel]
    wish: type[BaseModel] | None = None
    query: Sequence[dict[str, Any]] = ()


OPERATIONS = (
    Operation("get", "/api/why", shapes.Why),
    Operation("get", "/api/health", shapes.Health),
    Operation("get", "/api/rule", shapes.Rules),
    Operation("post", "/api/rule", shapes.RuleChanged, shapes.RuleWish),
    Operation("post", "/api/override", shapes.OverrideSet, shapes.OverrideWish),
    Operation("get", "/api/value", ledger_schemas.Value, query=(_BY, *_SPAN)),
    Operation("get", "/api/stock", ledger_schemas.Stock, query=(_BY, *_SPAN)),
    Operation("get", "/api/plan", ledger_schemas.Plan),
    Operation("post", "/api/resend", shapes.Resent, shapes.ResendWish),
    Operation("post", "/api/restate", shapes.RestateAsked, shapes.RestateWish),
    Operation("get", "/api/restating", shapes.Restating),
    Operation("get", "/api/written", shapes.Written),
)


@cache
def document(cookie: str) -> dict[str, Any]:
    """The whole document. cookie: the name of the home's login cookie."""
    models: dict[str, type[BaseModel]] = {"Error": shapes.Error}
    for operation in OPERATIONS:
        models |= {model.__name__: model for model in (operation.says, operation.wish) if model is not None}
    _, made = models_json_schema(
        [(models[name], "validation") for name in sorted(models)], by_alias=True, ref_template=_REF
    )
    paths: dict[str, dict[str, Any]] = {}
    for operation in OPERATIONS:
        paths.setdefault(operation.path, {})[operation.method] = _described(operation)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "brimful",
            "version": version("brimful"),
            "description": "The page's and the command line's way to the running daemon. Answers are those of --json.",
        },
        "paths": paths,
        "components": {
            "schemas": made["$defs"],
            "securitySchemes": {
                "token": {"type": "http", "scheme": "bearer", "description": "from the file beside the ledger"},
                "login": {"type": "apiKey", "in": "cookie", "name": cookie},
                "form": {
                    "type": "apiKey",
                    "in": "header",
                    "name": FORM_HEADER,
                    "description": "the login's own token, from any form of the page",
                },
            },
        },
    }


def _described(operation: Operation) -> dict[str, Any]:
    name = operation.path.rpartition("/")[2]
    described: dict[str, Any] = {
        "operationId": f"{operation.method}_{name}",
        "summary": inspect.cleandoc(operation.says.__doc__ or ""),
        "responses": {"200": _response("done", operation.says)}
        | {status: _response(why, shapes.Error) for status, why in _ERRORS.items()},
        "security": [{"token": []}, {"login": [], "form": []}]
        if operation.wish
        else [{}, {"token": []}, {"login": []}],
    }
    if operation.query:
        described["parameters"] = list(operation.query)
    if operation.wish is not None:
        described["requestBody"] = {"required": True, "content": _content(operation.wish)}
    return described


def _response(why: str, model: type[BaseModel]) -> dict[str, Any]:
    return {"description": why, "content": _content(model)}


def _content(model: type[BaseModel]) -> dict[str, Any]:
    return {"application/json": {"schema": {"$ref": _REF.format(model=model.__name__)}}}
