"""A program for the RP2040 as the file that its ROM takes: checksum of the boot code, UF2 blocks.

    python3 uf2.py firmware.bin firmware.uf2

It needs Python alone, since it runs in the folder of firmware. Sources: RP2040 data
sheet, 2.8.1.3.1 (checksum of the first 252 bytes: CRC-32 with polynomial 0x04C11DB7,
initial value 0xFFFFFFFF, not reflected, not inverted); the UF2 file format and its
list of families.
"""

from __future__ import annotations

import struct
import sys
from pathlib import Path

BOOT_BYTES = 252
FLASH_AT = 0x10000000
FAMILY = 0xE48BFF56
BLOCK_BYTES = 256
MAGIC_START, MAGIC_SECOND, MAGIC_END = 0x0A324655, 0x9E5D5157, 0x0AB16F30
HAS_FAMILY = 0x2000


def crc32(data: bytes) -> int:
    """The checksum of the boot code.

    Examples
    --------
    >>> hex(crc32(b"123456789"))
    '0x376e6e7'
    """
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte << 24
        for _ in range(8):
            crc = (crc << 1) ^ (0x04C11DB7 if crc & 0x80000000 else 0)
            crc &= 0xFFFFFFFF
    return crc


def with_checksum(image: bytes) -> bytes:
    """An image with the checksum behind its boot code."""
    boot = image[:BOOT_BYTES].ljust(BOOT_BYTES, b"\0")
    return boot + struct.pack("<I", crc32(boot)) + image[BOOT_BYTES + 4 :]


def uf2(image: bytes) -> bytes:
    """An image of the flash in UF2 blocks."""
    parts = [image[at : at + BLOCK_BYTES] for at in range(0, len(image), BLOCK_BYTES)]
    blocks = []
    for number, part in enumerate(parts):
        head = struct.pack(
            "<8I",
            MAGIC_START,
            MAGIC_SECOND,
            HAS_FAMILY,
            FLASH_AT + number * BLOCK_BYTES,
            BLOCK_BYTES,
            number,
            len(parts),
            FAMILY,
        )
        blocks.append(head + part.ljust(476, b"\0") + struct.pack("<I", MAGIC_END))
    return b"".join(blocks)


if __name__ == "__main__":
    image_file, uf2_file = map(Path, sys.argv[1:3])
    uf2_file.write_bytes(uf2(with_checksum(image_file.read_bytes())))
