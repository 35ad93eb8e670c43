"""Meters' telegrams: text against the parser of a library that the daemon does not use, SML by hand-made frames."""

import os
import socket
import threading
import time
from decimal import Decimal

import pytest
from dsmr_parser import telegram_specifications
from dsmr_parser.parsers import TelegramParser
from smllib.crc.x25 import get_crc

from daemon.inputs.decode import Decoded, Source, decode_all
from daemon.neighbours.readers.polling import ReadFailed, document
from daemon.neighbours.readers.streams import NetworkStream, SerialStream
from daemon.neighbours.readers.telegrams import Framing, SmlTelegrams, Telegrams, TextTelegrams, crc16

LINES = (
    "/WRN5 Wren Works 1", "", "1-3:0.2.8(50)", "0-0:1.0.0(260610120000S)", "0-0:96.1.1(4B384547)",
    "1-0:1.8.1(000671.578*kWh)", "1-0:1.8.2(000842.472*kWh)", "1-0:2.8.1(000123.456*kWh)", "0-0:96.14.0(0002)",
    "1-0:1.7.0(00.333*kW)", "1-0:2.7.0(01.250*kW)", "1-0:32.7.0(233.2*V)", "0-1:24.1.0(003)",
    "0-1:24.2.1(260610115500S)(00473.789*m3)", "!",
)  # fmt: skip


def text(lines: tuple[str, ...] = LINES) -> bytes:
    body = "\r\n".join(lines).encode()
    return body + b"%04X\r\n" % crc16(body)


def entry(code: bytes, unit: int, scaler: int, value: int) -> bytes:
    """An SML_ListEntry: list of 7: objName, status, valTime, unit, scaler, value (Integer64), signature."""
    head = b"\x77\x07" + code + b"\x01\x01" + bytes([0x62, unit, 0x52, scaler & 0xFF])
    return head + b"\x59" + value.to_bytes(8, "big", signed=True) + b"\x01"


def sml(*entries: bytes) -> bytes:
    """A transport frame of SML version 1: escape, body, padding to four bytes, end, CRC-16/X-25."""
    body = b"".join(entries)
    padding = -len(body) % 4
    frame = b"\x1b" * 4 + b"\x01" * 4 + body + b"\0" * padding + b"\x1b" * 4 + bytes([0x1A, padding])
    return frame + get_crc(frame).to_bytes(2, "big")


IMPORT, POWER = b"\x01\x00\x01\x08\x00\xff", b"\x01\x00\x10\x07\x00\xff"
FRAME = sml(entry(IMPORT, 30, -1, 50_123_456), entry(POWER, 27, 0, -640))


class Given:
    """A stream of given pieces; after them nothing."""

    def __init__(self, *pieces: bytes) -> None:
        self._pieces = list(pieces)
        self.closed = False

    def read(self) -> bytes:
        return self._pieces.pop(0) if self._pieces else b""

    def close(self) -> None:
        self.closed = True


def read(framing: Framing, *pieces: bytes) -> dict[str, str]:
    return Telegrams(lambda: Given(*pieces), framing, 0.5).read()


def test_the_checksum_is_the_published_one() -> None:
    """The check value of CRC-16/ARC for "123456789" is BB3D (catalogue of parametrised CRC algorithms; from memory)."""
    assert crc16(b"123456789") == 0xBB3D


def test_text_is_read_as_the_library_reads_it() -> None:
    told = read(TextTelegrams(), text())
    library = TelegramParser(telegram_specifications.V5).parse(text().decode())  # it checks the checksum too
    for code, name in {
        "1-0:1.8.1": "ELECTRICITY_USED_TARIFF_1",
        "1-0:1.8.2": "ELECTRICITY_USED_TARIFF_2",
        "1-0:2.8.1": "ELECTRICITY_DELIVERED_TARIFF_1",
        "1-0:1.7.0": "CURRENT_ELECTRICITY_USAGE",
        "1-0:2.7.0": "CURRENT_ELECTRICITY_DELIVERY",
        "1-0:32.7.0": "INSTANTANEOUS_VOLTAGE_L1",
    }.items():
        number, unit = told[code].split()
        theirs = getattr(library, name)
        assert (Decimal(number), unit) == (theirs.value, theirs.unit)
    assert told["0-1:24.2.1"] == "00473.789 m3"
    assert told["0-0:1.0.0"] == "260610120000S"


@pytest.mark.parametrize("framing", [TextTelegrams(), SmlTelegrams()], ids=lambda framing: type(framing).__name__)
def test_telegrams_come_in_pieces_after_half_ones_and_the_newest_counts(framing: Framing) -> None:
    first, second = (text(), text((*LINES[:9], "1-0:1.7.0(02.000*kW)", "!")))
    code, wanted = "1-0:1.7.0", "02.000 kW"
    if isinstance(framing, SmlTelegrams):
        first, second, code, wanted = FRAME, sml(entry(POWER, 27, -1, 12345)), "1-0:16.7.0", "1234.5 W"
    pieces = [first[20:] + first + second[:9], *(second[n : n + 1] for n in range(9, len(second)))]
    stream = Given(*pieces)
    reader = Telegrams(lambda: stream, framing, 5.0)
    assert reader.read()[code] != wanted
    assert reader.read()[code] == wanted
    assert read(framing, first + second)[code] == wanted


def test_sml_has_scaler_sign_and_unit_and_becomes_a_reading() -> None:
    told = read(SmlTelegrams(), FRAME)
    assert told == {"1-0:1.8.0": "5012345.6 Wh", "1-0:16.7.0": "-640 W"}
    sources = [Source("import_wh", "", pointer="/1-0:1.8.0"), Source("grid_w", "", pointer="/1-0:16.7.0")]
    values = [one.value for one in decode_all(document(told), sources) if isinstance(one, Decoded)]
    assert values == [5012345.6, -640.0]
    kilowatts = decode_all(document(read(TextTelegrams(), text())), [Source("grid_w", "", pointer="/1-0:1.7.0")])
    assert [one.value for one in kilowatts if isinstance(one, Decoded)] == [333.0]


@pytest.mark.parametrize(
    ("framing", "telegram"),
    [(TextTelegrams(), text().replace(b"00.333", b"00.933")), (SmlTelegrams(), FRAME.replace(b"\x1e", b"\x1d"))],
    ids=["text", "sml"],
)
def test_a_broken_telegram_gives_nothing(framing: Framing, telegram: bytes) -> None:
    with pytest.raises(ReadFailed, match=r"got \d+ bytes without one; the last was broken: "):
        read(framing, telegram)


def test_silence_and_noise_are_told_apart() -> None:
    with pytest.raises(ReadFailed, match=r"expected a telegram within 0\.5 s, got nothing$"):
        read(TextTelegrams())
    with pytest.raises(ReadFailed, match="got 400 bytes without one; another format or speed"):
        read(SmlTelegrams(), b"\xa5" * 400)


@pytest.mark.parametrize("noise", ["a" * 40_000, "(" * 40_000, "()" * 20_000 + "x", "1-0:1.8.0(" * 4000])
def test_a_long_line_of_noise_holds_nothing_up(noise: str) -> None:
    """While a pattern is matched no other thread runs, the control loop's among them."""
    began_s = time.thread_time()
    assert read(TextTelegrams(), f"/X\r\n1-0:1.8.0({noise}\r\n1-0:2.8.0(7*Wh)\r\n!\r\n".encode()) == {
        "1-0:2.8.0": "7 Wh"
    }
    assert time.thread_time() - began_s < 1.0


def test_it_comes_over_the_network_and_a_lost_port_is_said() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        reader = Telegrams(lambda: NetworkStream("127.0.0.1", server.getsockname()[1]), TextTelegrams(), 5.0)

        def send() -> None:
            link, _ = server.accept()
            with link:
                link.sendall(text())

        sender = threading.Thread(target=send)
        sender.start()
        assert reader.read()["1-0:2.7.0"] == "01.250 kW"
        with pytest.raises(ReadFailed, match="the meter's port fails: it was closed at the other end"):
            reader.read()
        reader.close()
        sender.join()


def test_it_comes_over_a_serial_port() -> None:
    ours, theirs = os.openpty()
    reader = Telegrams(lambda: SerialStream(os.ttyname(theirs), 9600), SmlTelegrams(), 5.0)
    try:
        reader._stream = reader._opening()
        os.write(ours, FRAME)
        assert reader.read()["1-0:16.7.0"] == "-640 W"
    finally:
        reader.close()
        os.close(ours)
        os.close(theirs)


def test_a_port_that_is_not_there_is_said() -> None:
    reader = Telegrams(lambda: SerialStream("no-such-port", 9600), SmlTelegrams(), 1.0)
    with pytest.raises(ReadFailed, match="no-such-port"):
        reader.read()
