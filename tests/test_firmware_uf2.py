"""What an RP2040's ROM asks of a file: a checksum behind its boot code, and UF2 blocks."""

from __future__ import annotations

import struct
import subprocess
import sys
import zlib
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from callresp.firmware.boards.rp2040 import uf2

SCRIPT = Path(uf2.__file__)


def test_the_checksum_is_crc_32_mpeg_2() -> None:
    """Catalogue of parametrised CRC algorithms: check value 0x0376E6E7 over `123456789`."""
    assert uf2.crc32(b"123456789") == 0x0376E6E7


def reversed_bits(value: int, bits: int) -> int:
    return int(f"{value:0{bits}b}"[::-1], 2)


@given(st.binary(max_size=300))
def test_the_checksum_is_zlibs_turned_around(data: bytes) -> None:
    """CRC-32 of zlib is the same polynomial, reflected and inverted at the end."""
    mirrored = bytes(reversed_bits(byte, 8) for byte in data)
    assert uf2.crc32(data) == reversed_bits(zlib.crc32(mirrored) ^ 0xFFFFFFFF, 32)


@given(st.binary(min_size=257, max_size=3000))
def test_the_boot_code_is_followed_by_its_checksum(image: bytes) -> None:
    """RP2040 data sheet, 2.8.1.3.1: the last four of the first 256 bytes, low byte first."""
    made = uf2.with_checksum(image)
    assert (made[:252], made[256:]) == (image[:252], image[256:])
    assert struct.unpack("<I", made[252:256]) == (uf2.crc32(image[:252]),)


@given(st.binary(min_size=1, max_size=3000))
def test_blocks_are_those_of_the_format(image: bytes) -> None:
    """The UF2 format: 512 bytes, three magic numbers, address, size, number of how many, family."""
    made = uf2.uf2(image)
    count = -(-len(image) // 256)
    assert len(made) == 512 * count
    joined = b""
    for number in range(count):
        block = made[512 * number : 512 * (number + 1)]
        head = struct.unpack("<8I", block[:32])
        assert head[:3] == (0x0A324655, 0x9E5D5157, 0x00002000)
        assert head[3:7] == (0x10000000 + 256 * number, 256, number, count)
        assert head[7] == 0xE48BFF56  # the list of families: RP2040
        assert block[508:] == struct.pack("<I", 0x0AB16F30)
        assert block[288:508] == bytes(220)
        joined += block[32:288]
    assert joined[: len(image)] == image
    assert not any(joined[len(image) :])


def test_it_runs_by_itself_as_the_makefile_calls_it(tmp_path: Path) -> None:
    image = bytes(range(256)) * 3
    (tmp_path / "firmware.bin").write_bytes(image)
    words = [sys.executable, "-I", str(SCRIPT), "firmware.bin", "firmware.uf2"]
    subprocess.run(words, cwd=tmp_path, check=True)
    expected = uf2.uf2(uf2.with_checksum(image))
    assert (tmp_path / "firmware.uf2").read_bytes() == expected
