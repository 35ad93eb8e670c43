"""A simulated solar inverter on Modbus TCP, by the simulator of a Modbus library other than the one that reads it.

Its registers are laid out by hand after the SunSpec Information Model Specification and the model definitions of models
1 (common) and 103 (three-phase inverter, integers with scale factors), offsets from memory of these documents.
"""

import asyncio
import struct
import threading
from collections.abc import Iterator
from contextlib import contextmanager

from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

BASE = 40000
UNIT = 7


def _text(words: str, registers: int) -> list[int]:
    return list(struct.unpack(f">{registers}H", words.encode().ljust(2 * registers, b"\0")))


def _s16(value: int) -> int:
    return value & 0xFFFF


NOT_IMPLEMENTED = 0x8000
"""int16 and sunssf (scale factor) for: not implemented."""


def registers(power_w: int = 2310, energy_wh: int = 5_120_000) -> list[int]:
    """Marker, model 1, model 103, end. Power as 231 × 10^1, energy as a 32-bit accumulator × 10^0."""
    common = [
        1,
        66,
        *_text("Wren Works", 16),
        *_text("Finch 4", 16),
        *_text("", 8),
        *_text("1.0", 8),
        *_text("7", 16),
        7,
        0,
    ]
    inverter = [
        103, 50,
        1000, 333, 333, 334, _s16(-2),            # A, AphA, AphB, AphC, A_SF: 10.00 A
        4000, 4001, 4002, 2300, 2310, 2320, _s16(-1),   # PPVphAB, BC, CA, PhVphA, B, C, V_SF
        power_w // 10, 1,                         # W, W_SF
        5000, _s16(-2),                           # Hz, Hz_SF
        NOT_IMPLEMENTED, NOT_IMPLEMENTED,         # VA, VA_SF
        NOT_IMPLEMENTED, NOT_IMPLEMENTED,         # VAr, VAr_SF
        _s16(-999), _s16(-1),                     # PF, PF_SF
        energy_wh >> 16, energy_wh & 0xFFFF, 0,   # WH (acc32), WH_SF
        0xFFFF, NOT_IMPLEMENTED,                  # DCA (uint16), DCA_SF
        0xFFFF, NOT_IMPLEMENTED,                  # DCV, DCV_SF
        NOT_IMPLEMENTED, NOT_IMPLEMENTED,         # DCW, DCW_SF
        _s16(415), NOT_IMPLEMENTED, NOT_IMPLEMENTED, NOT_IMPLEMENTED, _s16(-1),  # TmpCab, Snk, Trns, Ot, Tmp_SF
        4, 0,                                     # St: MPPT, StVnd
        *([0] * 12),                              # Evt1, Evt2, EvtVnd1 to 4
    ]  # fmt: skip
    assert len(common) == 68
    assert len(inverter) == 52
    return [0x5375, 0x6E53, *common, *inverter, 0xFFFF, 0]


@contextmanager
def sunspec_device(values: list[int]) -> Iterator[int]:
    """A device with these registers from BASE on; gives its port."""
    ready: list[int] = []
    up = threading.Event()
    loop = asyncio.new_event_loop()
    servers: list[ModbusTcpServer] = []

    async def serve() -> None:
        block = SimData(BASE, values=values, datatype=DataType.REGISTERS)
        server = ModbusTcpServer(SimDevice(id=UNIT, simdata=[block]), address=("127.0.0.1", 0))
        servers.append(server)
        await server.listen()
        ready.append(server.transport.sockets[0].getsockname()[1])  # type: ignore[union-attr]
        up.set()
        await server.serving

    thread = threading.Thread(target=lambda: loop.run_until_complete(serve()), daemon=True)
    thread.start()
    assert up.wait(10)
    try:
        yield ready[0]
    finally:
        asyncio.run_coroutine_threadsafe(servers[0].shutdown(), loop).result(10)
        thread.join(10)
        loop.close()
