"""What rows a payload of prices given ahead holds, and what is refused in it."""

import json
from pathlib import Path

import pytest

from daemon.inputs.price_payload import LARGEST_BYTES, Payload, read_payload
from tests.support.price_payloads import GOOD, ROWS, START, feed, payload


def test_rows_are_read_by_their_pointers_exactly_and_gaps_are_told(tmp_path: Path) -> None:
    assert read_payload(GOOD, feed(tmp_path)) == Payload(ROWS, [])
    one = json.dumps({"from": START, "price": None}).encode()
    assert read_payload(one, feed(tmp_path, rows="")) == Payload([(START, None), (START + 1800, None)], [])


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"no", "expected JSON, got something else"),
        (b"\xff", "expected JSON, got something else"),
        (b"[" * 100_000, "expected JSON, got something else"),
        (b"{}", 'expected rows at "/data/rows", got nothing there'),
        (b" " * (LARGEST_BYTES + 1), "expected at most 5 MB, got more"),
        (b'{"data": {"rows": []}}', "expected 1 to 50000 rows, got 0"),
        (b'{"data": {"rows": [3]}}', "row 1: expected a time and a value, got a row without"),
        (payload(("2026-06-01T00:00:00", 1)), "row 1: its time has no offset from UTC"),
        (payload((5, 1)), "row 1: its time is not plausible"),
        (payload((START, True)), "row 1: expected a number, got True"),
        (payload((START, "dear")), "row 1: expected a number, got dear"),
        (payload((START, [1])), "row 1: expected a number, got a list"),
        (payload((START, 1e99)), "row 1: expected a number, got 1e+99"),
        (payload((START, 1e8)), "row 1: expected at most 10000 per kWh, got 100000"),
        (b'{"data": {"rows": [{"from": NaN, "price": 1}]}}', "row 1: its time is not one"),
    ],
)
def test_a_payload_without_a_row_that_can_be_read_is_refused(content: bytes, said: str, tmp_path: Path) -> None:
    with pytest.raises(ValueError) as refused:  # noqa: PT011
        read_payload(content, feed(tmp_path))
    assert str(refused.value) == said
