"""The Homie device's description and values, against the Homie convention 5.0 (its rules from memory)."""

import json
import re
from typing import Any

import pytest

from daemon.config.model import Home
from daemon.neighbours.homie_document import description, device_id, values
from tests.support.homes import SMALL, TWO_HEATERS, home
from tests.support.page_answers import why

DATATYPES = {"integer", "float", "boolean", "string", "enum", "color", "datetime", "duration", "json"}
IDENTIFIER = re.compile(r"[a-z0-9]([a-z0-9-]*[a-z0-9])?")
TODAY = {"diverted_kwh": 2.5, "given_up": 0.16, "avoided": 0.28, "net": -0.0000001, "currency": "EUR"}
HOMES = [home(SMALL), home(TWO_HEATERS)]


def properties(told: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {f"{node}/{name}": each for node, one in told["nodes"].items() for name, each in one["properties"].items()}


def fits(payload: str, told: dict[str, Any]) -> bool:
    """Whether a payload is one of the property's datatype and format (Homie 5.0, "Payload" and "Property formats")."""
    match told["datatype"]:
        case "float" | "integer":
            if not re.fullmatch(r"-?\d+(\.\d+)?" if told["datatype"] == "float" else r"-?\d+", payload):
                return False
            low, high = (told.get("format", ":") + ":").split(":")[:2]
            return (not low or float(low) <= float(payload)) and (not high or float(payload) <= float(high))
        case "enum":
            return payload in told["format"].split(",")
    return bool(told["datatype"] == "string")


@pytest.mark.parametrize("house", HOMES, ids=lambda house: str(house.home.name))
def test_the_description_is_as_the_convention_has_it(house: Home) -> None:
    """From memory: required `homie` and an integer `version`; identifiers; known datatypes; an enum needs a format."""
    told = json.loads(json.dumps(description(house, settable=True)))
    assert told["homie"] == "5.0"
    assert isinstance(told["version"], int)
    assert IDENTIFIER.fullmatch(device_id(house))
    assert device_id(house).startswith("brimful-")
    for name, each in properties(told).items():
        assert all(IDENTIFIER.fullmatch(level) for level in name.split("/")), name
        assert each["datatype"] in DATATYPES
        assert each["datatype"] != "enum" or len(set(each["format"].split(","))) > 1
    assert {name for name, each in properties(told).items() if each.get("settable")} == {
        "tank/stop-level",
        "override/order",
        "override/minutes",
    }


@pytest.mark.parametrize("house", HOMES, ids=lambda house: str(house.home.name))
def test_every_value_fits_its_property_and_every_property_can_have_one(house: Home) -> None:
    heaters = [{"heater": name, "order": "surplus", "watts": 1500, "guard": "surplus"} for name in house.heaters]
    override = {"order": "withhold", "heater": None, "ends_in_s": 60.0}
    told = properties(description(house, settable=True))
    for answer in (why(heaters=heaters), why(heaters=heaters, override=override)):
        shown = values(house, answer, TODAY, 60)
        assert shown.keys() == told.keys()
        for name, payload in shown.items():
            assert fits(payload, told[name]), (name, payload)
    assert values(house, why(), TODAY, 60)["today/value"] == "0"
    assert values(house, why(heaters=heaters, override=override), TODAY, 60)["override/order"] == "withhold"


def test_what_is_not_known_has_no_value() -> None:
    told = values(HOMES[0], why(level=None), None, 60)
    assert "tank/level" not in told
    assert not [name for name in told if name.startswith("today/")]


def test_the_version_changes_with_the_document_alone() -> None:
    """From memory: `version` must change whenever the document does."""
    first = description(HOMES[0], settable=False)
    assert first == description(HOMES[0], settable=False)
    assert first["version"] != description(HOMES[0], settable=True)["version"]


def test_nothing_is_settable_unless_wanted() -> None:
    assert not [each for each in properties(description(HOMES[0], settable=False)).values() if each.get("settable")]


def test_heat_can_be_wished_only_where_a_heater_obeys_it() -> None:
    assert properties(description(HOMES[0], True))["override/order"]["format"] == "none,withhold,surplus"
