"""Writers for the two write interfaces that time-series databases share. One call is one request; retries are not here.

The client library is imported when the first writer is opened: it is large, and a home without a database needs none.
"""

from collections.abc import Sequence
from typing import Any, Protocol

from accounting.timeseries.failure import SendFailed, refused, unreachable, why_no_answer
from accounting.timeseries.points import Point
from accounting.timeseries.target import Target


class Writer(Protocol):
    """Sends points. Used by one thread at a time."""

    def send(self, points: Sequence[Point]) -> None:
        """Return when the server has said yes to all of them. Raises SendFailed."""

    def close(self) -> None:
        """Let the connections go."""


def open_writer(target: Target) -> Writer:
    """A writer for the target; it connects when it first sends."""
    return _V1Writer(target) if target.kind == "influxdb1" else _V2Writer(target)


def lines(points: Sequence[Point]) -> list[str]:
    """The points in line protocol, dated in whole seconds."""
    library = _library()
    return [
        library.Point.from_dict(
            {
                "measurement": point.measurement,
                "tags": dict(point.tags),
                "fields": dict(point.fields),
                "time": point.at_s,
            },
            library.WritePrecision.S,
        ).to_line_protocol()
        for point in points
    ]


class _V2Writer:
    def __init__(self, target: Target) -> None:
        from influxdb_client.client.write_api import SYNCHRONOUS

        # A server without organisations and buckets does not look at their names, but the client wants some.
        self._target = target
        self._client = _library().InfluxDBClient(
            target.url,
            target.login or target.secret or "",
            auth_basic=bool(target.username),
            timeout=int(target.timeout_s * 1000),
            org=target.org or "brimful",
        )
        self._write = self._client.write_api(write_options=SYNCHRONOUS)

    def send(self, points: Sequence[Point]) -> None:
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        target = self._target
        try:
            self._write.write(
                target.bucket or "brimful", record=lines(points), write_precision=_library().WritePrecision.S
            )
        except ApiException as error:
            if not error.status:  # the client's way to pass on a failed TLS handshake
                raise unreachable(target.url, "the secure connection fails (certificate or address?)") from None
            raise refused(target.url, error.status, error.headers or {}, _text(error.body), target.secrets) from None
        except HTTPError as error:
            raise _no_answer(target, error) from None

    def close(self) -> None:
        self._write.close()
        self._client.close()


class _V1Writer:
    def __init__(self, target: Target) -> None:
        import urllib3

        self._target = target
        self._pool = urllib3.PoolManager(retries=False, timeout=urllib3.Timeout(total=target.timeout_s))
        self._headers = {"Content-Type": "text/plain; charset=utf-8", **target.authorization}

    def send(self, points: Sequence[Point]) -> None:
        from urllib.parse import urlencode

        from urllib3.exceptions import HTTPError

        target = self._target
        address = f"{target.url.rstrip('/')}/write?{urlencode({'db': target.database, 'precision': 's'})}"
        try:
            answer = self._pool.request("POST", address, body="\n".join(lines(points)).encode(), headers=self._headers)
        except HTTPError as error:
            raise _no_answer(target, error) from None
        if not 200 <= answer.status <= 299:
            raise refused(target.url, answer.status, answer.headers, _text(answer.data), target.secrets)

    def close(self) -> None:
        self._pool.clear()


def _library() -> Any:
    """The client library, whose own type hints contradict its use."""
    import influxdb_client

    return influxdb_client


def _no_answer(target: Target, error: Exception) -> SendFailed:
    return unreachable(target.url, why_no_answer(error, target.timeout_s))


def _text(body: Any) -> str:
    return body.decode(errors="replace") if isinstance(body, bytes) else str(body or "")
