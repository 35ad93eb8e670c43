"""A source of prices given ahead, a payload of its, and the rows in it."""

import json
from fractions import Fraction
from pathlib import Path
from typing import Any

from daemon.inputs.price_payload import Feed
from tests.support.prices import utc

START = utc("2026-06-01T00:00Z")


def feed(folder: Path, **changes: Any) -> Feed:
    told = {"rows": "/data/rows", "time": "/from", "value": "/price", "scale": Fraction(1, 1000), "step_s": 1800}
    return Feed("sell", folder / "sell.csv", **{**told, "url": "http://prices.example/{today}", **changes})  # type: ignore[arg-type]


def payload(*rows: tuple[object, object]) -> bytes:
    return json.dumps({"data": {"rows": [{"from": at, "price": price} for at, price in rows]}}).encode()


GOOD = payload(("2026-06-01T00:00:00Z", 55.1), ("2026-06-01T01:30:00+01:00", -7), (START * 1000 + 7_200_000, "80.25"))
ROWS = [
    (START, Fraction("0.0551")),
    (START + 1800, Fraction("-0.007")),
    (START + 3600, None),
    (START + 7200, Fraction("0.08025")),
    (START + 9000, None),
]
