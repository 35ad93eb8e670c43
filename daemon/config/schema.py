"""The home file's JSON Schema, for editors.

`python -m daemon.config.schema > deploy/home.schema.json` writes it anew.
"""

import ast
import inspect
import json
import sys
from decimal import Decimal
from functools import cache
from types import ModuleType
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from daemon.config.model import Home

_DAY = r"^\d{4}-\d\d-\d\d$"
_LOCAL_TIME = r"^\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d+)?)?$"


class _Generator(GenerateJsonSchema):
    """Money as plain numbers, TOML's local times as text, no null (TOML has none), no titles made from key names."""

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def date_schema(self, schema: core_schema.DateSchema) -> JsonSchemaValue:
        return {"type": "string", "format": "date", "pattern": _DAY}

    def datetime_schema(self, schema: core_schema.DatetimeSchema) -> JsonSchemaValue:
        return {"type": "string", "pattern": _LOCAL_TIME}

    def decimal_schema(self, schema: core_schema.DecimalSchema) -> JsonSchemaValue:
        found: JsonSchemaValue = {"type": "number"}
        bounds = {"minimum": schema.get("ge"), "exclusiveMinimum": schema.get("gt"), "maximum": schema.get("le")}
        return found | {name: int(bound) for name, bound in bounds.items() if bound is not None}

    def encode_default(self, dft: Any) -> Any:
        encoded = super().encode_default(dft)
        return int(dft) if isinstance(dft, float | Decimal) and dft == int(dft) else encoded

    def field_title_should_be_set(self, schema: Any) -> bool:
        return False


def schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of a home file; titles and descriptions are the models' docstrings."""
    made = Home.model_json_schema(schema_generator=_Generator)
    _describe(made, Home)
    for model in models(Home):
        if model is not Home:
            _describe(made["$defs"][model.__name__], model)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "brimful home file",
        **{key: value for key, value in made.items() if key != "title"},
    }


def _describe(node: dict[str, Any], model: type[BaseModel]) -> None:
    node.pop("title", None)
    node["description"] = inspect.cleandoc(model.__doc__ or "")
    about = descriptions(model)
    for name, info in model.model_fields.items():
        field = node["properties"][info.alias or name]
        field["description"] = about[name]
        if field.get("default", ...) is None:
            del field["default"]


def models(root: type[BaseModel]) -> list[type[BaseModel]]:
    """The root and every model its fields lead to."""
    found = [root]
    for model in found:
        for info in model.model_fields.values():
            found += [each for each in _models_in(info.annotation) if each not in found]
    return found


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for inner in getattr(annotation, "__args__", ()) for model in _models_in(inner)]


def descriptions(model: type[BaseModel]) -> dict[str, str]:
    """What stands below each field of a model and of those it extends. A field without it is missing here.

    Read from the source only when a schema is made: pydantic could keep these itself, at a cost at every start.
    """
    about: dict[str, str] = {}
    for each in reversed(model.__mro__):
        if issubclass(each, BaseModel) and each is not BaseModel:
            module = inspect.getmodule(each)
            assert module is not None
            about |= _of_module(module).get(each.__name__, {})
    return about


@cache
def _of_module(module: ModuleType) -> dict[str, dict[str, str]]:
    classes = [node for node in ast.parse(inspect.getsource(module)).body if isinstance(node, ast.ClassDef)]
    about: dict[str, dict[str, str]] = {}
    for node in classes:
        fields = about.setdefault(node.name, {})
        for statement, following in zip(node.body, node.body[1:], strict=False):
            match statement, following:
                case (
                    ast.AnnAssign(target=ast.Name(id=name)),
                    ast.Expr(value=ast.Constant(value=str(text))),
                ):
                    fields[name] = inspect.cleandoc(text)
    return about


def text() -> str:
    """The schema as it is published."""
    return json.dumps(schema(), ensure_ascii=False, indent=2) + "\n"


if __name__ == "__main__":
    sys.stdout.write(text())
