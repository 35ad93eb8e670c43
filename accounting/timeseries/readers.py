"""Reads the points back, to compare them with the ledger. One call is one request; nothing is changed.

InfluxDB 1, 2 and 3 share InfluxQL's `/query`; VictoriaMetrics gives raw samples at `/api/v1/export`.
"""

import json
import math
from collections.abc import Callable, Mapping
from typing import Any, Protocol
from urllib.parse import urlencode

from accounting.timeseries.failure import place, repeated, why_no_answer
from accounting.timeseries.points import FIELDS, MEASUREMENT
from accounting.timeseries.target import Target
from rules.model.errors import BrimfulError

Held = dict[tuple[int, str], dict[str, float]]
"""Fields by name of each point, by start (UTC second) and heater."""

_SETTLING_S = 12.0  # VictoriaMetrics 1.79.5 showed the first points of new series nine seconds after its yes
_MEANING = {
    401: "it refuses the token or password",
    403: "the token or password does not allow reading",
    404: "it has no such database, bucket or path",
}


class ReadFailed(BrimfulError):
    """The time-series database could not be read."""


class Reader(Protocol):
    """Reads what a database holds. Used by one thread at a time."""

    def settle(self, pause: Callable[[float], None]) -> None:
        """Have the database show all that it has taken; pause: waits so many seconds."""

    def read(self, home: str, from_s: int, to_s: int) -> Held:
        """The home's points dated [from_s, to_s), UTC seconds. Raises ReadFailed."""

    def close(self) -> None:
        """Let the connections go."""


def open_reader(target: Target) -> Reader:
    """A reader of the target; it connects when it first reads."""
    return _SampleReader(target) if target.kind == "victoriametrics" else _QueryReader(target)


class _Asking:
    def __init__(self, target: Target) -> None:
        import urllib3

        self._target = target
        self._pool = urllib3.PoolManager(
            retries=False, timeout=urllib3.Timeout(total=target.timeout_s), headers=dict(target.authorization)
        )

    def _ask(self, path: str, query: Mapping[str, str]) -> bytes:
        from urllib3.exceptions import HTTPError

        target = self._target
        try:
            answer = self._pool.request("GET", f"{target.url.rstrip('/')}{path}?{urlencode(query)}", redirect=False)
        except HTTPError as error:
            raise self._failed(why_no_answer(error, target.timeout_s)) from None
        if answer.status != 200:
            why = f"{_MEANING.get(answer.status, 'it does not answer the question')} ({answer.status})"
            reply = repeated(answer.data.decode(errors="replace"), target.secrets)
            raise self._failed(f"{why}: {reply}" if reply else why)
        return answer.data

    def _failed(self, why: str) -> ReadFailed:
        return ReadFailed("read the time-series database", f"time-series database at {place(self._target.url)}", why)

    def _unknown(self) -> ReadFailed:
        return self._failed("its answer is not of the kind that was expected; is `kind` right?")

    def close(self) -> None:
        self._pool.clear()


class _QueryReader(_Asking):
    def settle(self, pause: Callable[[float], None]) -> None:
        """It shows what it has taken at once."""

    def read(self, home: str, from_s: int, to_s: int) -> Held:
        names = ", ".join(f'"{name}"' for name in FIELDS)
        question = (
            f'SELECT {names} FROM "{MEASUREMENT}" WHERE "home" = {_literal(home)} '
            f'AND time >= {from_s}s AND time < {to_s}s GROUP BY "heater"'
        )
        target = self._target
        content = self._ask("/query", {"db": target.database or target.bucket, "epoch": "s", "q": question})
        try:
            (result,) = json.loads(content)["results"]
            if "error" in result:
                raise self._failed(repeated(str(result["error"]), target.secrets))
            return self._held(result.get("series", []))
        except (ValueError, KeyError, TypeError, AttributeError):
            raise self._unknown() from None

    def _held(self, series: list[dict[str, Any]]) -> Held:
        held: Held = {}
        for one in series:
            if one.get("partial"):
                raise self._failed("it cuts its answer short; raise its max-row-limit")
            for at_s, *values in one["values"]:
                fields = zip(one["columns"][1:], values, strict=True)
                held[int(at_s), one["tags"]["heater"]] = {
                    name: float(value) for name, value in fields if _is_figure(value)
                }
        return held


class _SampleReader(_Asking):
    def settle(self, pause: Callable[[float], None]) -> None:
        # Where this is not allowed to us (it can have a key of its own), time does the same.
        try:
            self._ask("/internal/force_flush", {})
        except ReadFailed:
            pause(_SETTLING_S)

    def read(self, home: str, from_s: int, to_s: int) -> Held:
        prefix = f"{MEASUREMENT}_"
        names = f"{prefix}({'|'.join(FIELDS)})"
        query = {
            "match[]": f'{{__name__=~"{names}",home={json.dumps(home, ensure_ascii=False)}}}',
            "start": str(from_s),
            "end": f"{to_s - 1}.999",
        }
        held: Held = {}
        try:
            for line in self._ask("/api/v1/export", query).splitlines():
                one = json.loads(line)
                labels = one["metric"]
                name = labels["__name__"].removeprefix(prefix)
                for at_ms, value in zip(one["timestamps"], one["values"], strict=True):
                    if _is_figure(value):
                        held.setdefault((at_ms // 1000, labels["heater"]), {})[name] = float(value)
        except (ValueError, KeyError, TypeError, AttributeError):
            raise self._unknown() from None
        return held


def _is_figure(value: Any) -> bool:
    return isinstance(value, int | float) and math.isfinite(value)


def _literal(text: str) -> str:
    """A string of InfluxQL."""
    escaped = text.replace("\\", "\\\\").replace("'", "\\'").replace("\n", "\\n")
    return f"'{escaped}'"
