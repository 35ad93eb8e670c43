"""brimful as a Homie 5 device: its description and the values of its properties. Pure.

Source: the Homie convention 5.0, an open convention for MQTT devices; its rules are given here from memory: identifiers
of small letters, digits and hyphens; `$description` a JSON object with `homie`, `version` (a number that changes with
the document), `nodes`, their `properties` with `datatype`, `format`, `settable` (false unless given), `unit`.
"""

import json
import zlib
from collections.abc import Mapping
from typing import Any

from daemon.config.devices import GateHeater
from daemon.config.model import Home
from daemon.config.state_topics import slug
from rules.model.orders import Order

CONVENTION = "5.0"
NO_OVERRIDE = "none"
STOP_LEVEL = "tank/stop-level"
OVERRIDE = "override/order"
OVERRIDE_MINUTES = "override/minutes"
LONGEST_MINUTES = 7 * 24 * 60


def device_id(home: Home) -> str:
    """The device's identifier: `brimful-` and the home's name."""
    return f"brimful-{slug(home.home.name)}"


def node_of(heater: str) -> str:
    """A heater's node."""
    return f"heater-{heater.replace('_', '-')}"


def description(home: Home, settable: bool) -> dict[str, Any]:
    """The device's `$description`. settable: whether others may set the stop level and the override."""
    orders = ",".join(order.value for order in Order)
    can_heat = any(not isinstance(heater, GateHeater) or heater.orders.heat for heater in home.heaters.values())
    wished = ",".join((NO_OVERRIDE, *(order.value for order in Order if can_heat or order is not Order.HEAT)))
    money = home.home.currency
    nodes = {
        "house": _node(
            "The house",
            state=_property("State", "string"),
            order=_property("Order", "enum", format=orders),
            guard=_property("Deciding rule", "string"),
        ),
        "tank": _node(
            "The tank",
            level=_property("Level", "float", unit="%"),
            stop_level=_property("Stop level", "float", format="1:100", unit="%", settable=settable),
        ),
        "today": _node(
            "Today",
            diverted=_property("Diverted", "float", unit="kWh"),
            given_up=_property("Export income given up", "float", unit=money),
            avoided=_property("Purchase avoided", "float", unit=money),
            value=_property("Value: avoided less given up and bought", "float", unit=money),
        ),
        "override": _node(
            "Override, for a while; no hard guard gives way to it",
            order=_property("Order", "enum", format=wished, settable=settable),
            minutes=_property("Length", "integer", format=f"1:{LONGEST_MINUTES}", unit="min", settable=settable),
        ),
    }
    for name, heater in home.heaters.items():
        properties_by_name = {"order": _property("Order", "enum", format=orders)}
        if not isinstance(heater, GateHeater):
            properties_by_name["watts"] = _property("Power allowed", "float", unit="W")
        nodes[node_of(name)] = _node(f"Heater {name}", **properties_by_name)
    document = {"homie": CONVENTION, "name": f"brimful: {home.home.name}", "type": "brimful", "nodes": nodes}
    return {**document, "version": zlib.crc32(json.dumps(document, sort_keys=True).encode())}


def values(home: Home, why: Mapping[str, Any], today: Mapping[str, Any] | None, minutes: int) -> dict[str, str]:
    """The payload of each property that has a value, by `node/property`.

    why: the answer `brimful.why/1`; today: today's figures, None while the ledger cannot be read; minutes: how long an
    override lasts that is set by Homie.
    """
    override = why["override"]
    properties_by_name: dict[str, str] = {
        "house/state": why["sentence"],
        "house/order": why["order"],
        "house/guard": why["guard"],
        STOP_LEVEL: _number(home.rules.full.stop_at_pct),
        OVERRIDE: NO_OVERRIDE if override is None else override["order"],
        OVERRIDE_MINUTES: str(minutes),
    }
    if why["level"] is not None:
        properties_by_name["tank/level"] = _number(why["level"]["value_pct"])
    if today is not None:
        properties_by_name |= {
            f"today/{name.replace('_', '-')}": _number(today[name]) for name in ("given_up", "avoided")
        }
        properties_by_name |= {"today/diverted": _number(today["diverted_kwh"]), "today/value": _number(today["net"])}
    for heater in why["heaters"]:
        node = node_of(heater["heater"])
        properties_by_name[f"{node}/order"] = heater["order"]
        if not isinstance(home.heaters.get(heater["heater"]), GateHeater):
            properties_by_name[f"{node}/watts"] = _number(heater["watts"] or 0)
    return properties_by_name


def _node(name: str, **properties: dict[str, Any]) -> dict[str, Any]:
    return {
        "name": name,
        "properties": {key.replace("_", "-"): properties_by_name for key, properties_by_name in properties.items()},
    }


def _property(name: str, datatype: str, *, format: str = "", unit: str = "", settable: bool = False) -> dict[str, Any]:
    properties_by_name = {"name": name, "datatype": datatype, "format": format, "unit": unit, "settable": settable}
    return {key: value for key, value in properties_by_name.items() if value not in ("", False)}


def _number(value: float) -> str:
    """A number as Homie writes one: a point, no thousands, no exponent; a millionth is the least that is sent."""
    return f"{round(value, 6) + 0.0:.6f}".rstrip("0").rstrip(".")
