"""capacity/wire.py against libusbredirparser: how many bytes the library writes for a packet.

Source: Debian package libusbredirparser1 (headers usbredirparser.h and usbredirproto.h).  A host's
and a guest's parser are joined by two buffers; both offer all that QEMU and spice-gtk offer.
"""

from __future__ import annotations

import ctypes

import pytest
from redir_library import load

from seatwright.capacity.transfers import Transfer
from seatwright.capacity.wire import REDIR_HEADER, REDIR_TRANSFER

SIZES, LONG_IDS, LONG_BULK = 4, 5, 6
USB_HOST = 1

LOG = ctypes.CFUNCTYPE(None, ctypes.c_void_p, ctypes.c_int, ctypes.c_char_p)
MOVE = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.POINTER(ctypes.c_uint8), ctypes.c_int)


class Parser(ctypes.Structure):
    """The head of struct usbredirparser: what it calls to log, read and write."""

    _fields_ = (("priv", ctypes.c_void_p), ("log", LOG), ("read", MOVE), ("write", MOVE))


class End:
    """A parser that writes into a buffer and reads from another."""

    def __init__(self, flags: int) -> None:
        self._library = load()
        self._library.usbredirparser_create.restype = ctypes.POINTER(Parser)
        self.sent = bytearray()
        self.comes = bytearray()
        self._calls = (LOG(lambda *_: None), MOVE(self._read), MOVE(self._write))
        self.parser = self._library.usbredirparser_create()
        (self.parser.contents.log, self.parser.contents.read, self.parser.contents.write) = (
            self._calls
        )
        offered = ctypes.c_uint32(1 << SIZES | 1 << LONG_IDS | 1 << LONG_BULK)
        self._library.usbredirparser_init(self.parser, b"test", ctypes.byref(offered), 1, flags)
        self.flush()

    def _read(self, _: int, data: ctypes._Pointer[ctypes.c_uint8], count: int) -> int:
        taken = bytes(self.comes[:count])
        del self.comes[:count]
        ctypes.memmove(data, taken, len(taken))
        return len(taken)

    def _write(self, _: int, data: ctypes._Pointer[ctypes.c_uint8], count: int) -> int:
        self.sent += ctypes.string_at(data, count)
        return count

    def flush(self) -> None:
        while self._library.usbredirparser_has_data_to_write(self.parser):
            assert self._library.usbredirparser_do_write(self.parser) == 0

    def take(self, content: bytes) -> None:
        self.comes += content
        assert self._library.usbredirparser_do_read(self.parser) == 0

    def packet(self, name: str, head: bytes, data: bytes) -> int:
        """Bytes that one packet with its data becomes."""
        self.sent.clear()
        send = getattr(self._library, f"usbredirparser_send_{name}_packet")
        send(self.parser, ctypes.c_uint64(7), head, data, len(data))
        self.flush()
        return len(self.sent)


@pytest.fixture(scope="module")
def host() -> End:
    host, guest = End(USB_HOST), End(0)
    host.take(bytes(guest.sent))
    guest.take(bytes(host.sent))
    return host


LENGTH = 192
SHORT = LENGTH.to_bytes(2, "little")
HEADS = {
    Transfer.CONTROL: ("control", b"\x80\x06\x80\0" + bytes(4) + SHORT),
    Transfer.ISOCHRONOUS: ("iso", b"\x81\0" + SHORT),
    Transfer.INTERRUPT: ("interrupt", b"\x81\0" + SHORT),
    Transfer.BULK: ("bulk", b"\x81\0" + SHORT + bytes(6)),
}


@pytest.mark.parametrize("transfer", HEADS)
def test_the_library_writes_as_many_bytes(host: End, transfer: Transfer) -> None:
    name, head = HEADS[transfer]
    assert len(head) == REDIR_TRANSFER[transfer]
    assert host.packet(name, head, bytes(LENGTH)) == REDIR_HEADER + len(head) + LENGTH


def test_a_whole_command_of_120_kib_is_one_packet(host: End) -> None:
    size = 122_880
    head = b"\x81\0" + (size & 0xFFFF).to_bytes(2, "little") + bytes(4)
    head += (size >> 16).to_bytes(2, "little")
    assert host.packet("bulk", head, bytes(size)) == REDIR_HEADER + len(head) + size
