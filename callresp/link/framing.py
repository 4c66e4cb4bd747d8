"""Frames on the line: COBS with a CRC-16, ended by a zero byte.

Sources
-------
- S. Cheshire and M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM
  Transactions on Networking 7(2), 1999: no zero inside a frame, at most one
  byte of overhead in 254.
- CRC-16/IBM-3740 (polynomial 0x1021, initial value 0xFFFF, not reflected):
  check value 0x29B1 over the digits 123456789, as the catalogue of
  parametrised CRC algorithms lists it.

A frame is ``COBS(payload + CRC, high byte first) + 00``.
"""

from __future__ import annotations

import binascii

from callresp.errors import UserError
from callresp.io.wording import counted

LONGEST = 64
_CRC_START = 0xFFFF


def crc16(data: bytes) -> int:
    """CRC-16/IBM-3740 of some bytes.

    Examples
    --------
    >>> hex(crc16(b"123456789"))
    '0x29b1'
    """
    return binascii.crc_hqx(data, _CRC_START)


def cobs_encode(data: bytes) -> bytes:
    """COBS: the same information without a zero byte.

    As the paper's own listing has it: a last block of 254 bytes without a zero is
    followed by an empty one, 0x01, since its code 0xFF stands for no zero after
    it. Some implementations leave that byte out; `cobs_decode` takes both.

    Examples
    --------
    >>> cobs_encode(b"\\x45\\x00\\x00\\x2c").hex(" ")
    '02 45 01 02 2c'
    """
    out = bytearray()
    block = bytearray()
    for byte in data:
        if byte == 0:
            out.append(len(block) + 1)
            out += block
            block.clear()
            continue
        block.append(byte)
        if len(block) == 254:
            out.append(255)
            out += block
            block.clear()
    out.append(len(block) + 1)
    return bytes(out + block)


def cobs_decode(data: bytes) -> bytes | None:
    """Undo `stuff`; `None` where the bytes can't have come from it."""
    out = bytearray()
    at = 0
    while at < len(data):
        code = data[at]
        block = data[at + 1 : at + code]
        if code == 0 or len(block) != code - 1 or 0 in block:
            return None
        out += block
        at += code
        if code < 255 and at < len(data):
            out.append(0)
    return bytes(out)


def frame(payload: bytes) -> bytes:
    """A packed message as it goes on the line: with its checksum, encoded, ended by a zero.

    Raises
    ------
    UserError
        When it is longer than a frame may be.
    """
    if len(payload) > LONGEST:
        raise UserError(f"a message of {counted(len(payload), 'byte')} is over {LONGEST}")
    return cobs_encode(payload + crc16(payload).to_bytes(2)) + b"\0"


class Deframer:
    """Cuts a stream of bytes into payloads; frames that are `damaged` are counted and left out."""

    def __init__(self) -> None:
        self.damaged = 0
        self._open = bytearray()
        self._overlong = False

    def feed(self, data: bytes) -> list[bytes]:
        """Take bytes in; return the payloads that they complete."""
        payloads = []
        for byte in data:
            if byte != 0:
                # A zero is at most LONGEST + CRC + overhead away, or the frame is damaged.
                self._overlong = self._overlong or len(self._open) > LONGEST + 4
                if not self._overlong:
                    self._open.append(byte)
                continue
            payload = None if self._overlong else self._unframed(bytes(self._open))
            if payload is not None:
                payloads.append(payload)
            elif self._open:
                self.damaged += 1
            self._open.clear()
            self._overlong = False
        return payloads

    @staticmethod
    def _unframed(data: bytes) -> bytes | None:
        whole = cobs_decode(data) if data else None
        if whole is None or len(whole) < 3:
            return None
        payload, sent = whole[:-2], int.from_bytes(whole[-2:])
        return payload if crc16(payload) == sent else None
