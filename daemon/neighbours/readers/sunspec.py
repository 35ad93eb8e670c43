"""Reads a device by the SunSpec models over Modbus TCP. It only ever reads.

The document holds the models that are wanted, by their number, each point by its name with its scale factor applied, as
the SunSpec model definitions have them (they come with the library): `{"103": {"W": 2310.0, "WH": 5120000.0, …}}`;
repeating groups are lists. Where a device has a model twice the second is "103.2", and so on. A point that the device
does not implement is null.
"""

from collections.abc import Collection
from typing import Any

from daemon.neighbours.readers.polling import ReadFailed

WITHIN_S = 5.0
"""How long one exchange may take; a reading takes a few."""


class SunSpec:
    """host, port, unit: where the device is; models: the numbers of the models that are wanted, all if none is."""

    def __init__(
        self, host: str, port: int, unit: int, models: Collection[str] = (), within_s: float = WITHIN_S
    ) -> None:
        self._where = (host, port, unit)
        self._models = frozenset(models)
        self._within_s = within_s
        self._device: Any = None

    def read(self) -> dict[str, Any]:
        """As `Reader.read`. After a failure close it: a late answer would pass for that to the next question."""
        if self._device is None:
            self._device = self._found()
        counts: dict[str, int] = {}
        by_model: dict[str, Any] = {}
        for model in self._device.model_list:
            number = str(model.model_id)
            counts[number] = counts.get(number, 0) + 1
            name = number if counts[number] == 1 else f"{number}.{counts[number]}"
            if not self._models or name in self._models:
                self._exchange(model.read)
                by_model[name] = {
                    key: value for key, value in model.get_dict(computed=True).items() if key not in _ADDED
                }
        if missing := sorted(self._models - by_model.keys()):
            has = ", ".join(counts) or "none"
            raise ReadFailed(f"expected the SunSpec model {missing[0]}, got a device with {has}")
        return by_model

    def close(self) -> None:
        """As `Reader.close`."""
        device, self._device = self._device, None
        if device is not None:
            device.disconnect()

    def _found(self) -> Any:
        try:
            from sunspec2.modbus.client import SunSpecModbusClientDeviceTCP
        except ImportError:
            raise ReadFailed("the extra `sunspec` is not installed: pip install 'brimful[sunspec]'") from None
        host, port, unit = self._where
        device = SunSpecModbusClientDeviceTCP(unit, host, port, self._within_s)
        try:
            self._exchange(device.connect)
            self._exchange(lambda: device.scan(connect=False, full_model_read=False))
        except ReadFailed:
            device.disconnect()
            raise
        return device

    def _exchange(self, what: Any) -> None:
        from sunspec2.modbus.client import SunSpecModbusClientError
        from sunspec2.modbus.modbus import ModbusClientError

        host, port, unit = self._where
        where = f"Modbus unit {unit} at {host}:{port}"
        try:
            what()
        except (ModbusClientError, SunSpecModbusClientError, OSError) as failed:
            said = " ".join(str(failed).split()) or type(failed).__name__
            raise ReadFailed(f"{where}: expected a SunSpec device's answer, got: {said[:200]}") from None


_ADDED = {"mid", "error", "model_id"}
"""What the library adds of its own."""
