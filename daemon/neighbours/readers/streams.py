"""Where a meter's telegrams come from: a network port that passes on what it sends, or a serial port."""

import socket
from typing import Any

_PIECE_S = 1.0
_CONNECT_S = 10.0
_MOST_BYTES = 4096


class NetworkStream:
    """A TCP connection that is only read. Raises OSError."""

    def __init__(self, host: str, port: int) -> None:
        self._socket = socket.create_connection((host, port), _CONNECT_S)
        self._socket.settimeout(_PIECE_S)

    def read(self) -> bytes:
        """As `Stream.read`."""
        try:
            piece = self._socket.recv(_MOST_BYTES)
        except TimeoutError:
            return b""
        if not piece:
            raise ConnectionResetError("it was closed at the other end")
        return piece

    def close(self) -> None:
        """As `Stream.close`."""
        self._socket.close()


class SerialStream:
    """A serial port: 8 data bits, no parity, 1 stop bit. Needs the extra `telegrams`. Raises OSError."""

    def __init__(self, device: str, baud: int) -> None:
        try:
            import serial
        except ImportError:
            raise OSError("the extra `telegrams` is not installed: pip install 'brimful[telegrams]'") from None
        self._port: Any = serial.Serial(device, baud, timeout=_PIECE_S, exclusive=True)

    def read(self) -> bytes:
        """As `Stream.read`."""
        first: bytes = self._port.read(1)
        return first + self._port.read(min(_MOST_BYTES, self._port.in_waiting)) if first else b""

    def close(self) -> None:
        """As `Stream.close`."""
        self._port.close()
