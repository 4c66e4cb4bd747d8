"""Frames: COBS by its paper and by another implementation, CRC by its catalogue."""

from __future__ import annotations

import pytest
from cobs import cobs
from hypothesis import given, settings
from hypothesis import strategies as st

from callresp.errors import UserError
from callresp.link.framing import LONGEST, Deframer, cobs_decode, cobs_encode, crc16, frame
from callresp.link.messages import (
    Acknowledge,
    Done,
    Hello,
    HelloAck,
    HoldAt,
    LightAt,
    Message,
    Status,
    StrikeAt,
    TimeReply,
    TimeRequest,
    TurnAt,
    parse,
    ticks_between,
    ticks_of,
)


def test_crc_check_value() -> None:
    """CRC-16/IBM-3740 in the catalogue of parametrised CRC algorithms (7 May 2022).

    width=16 poly=0x1021 init=0xffff refin=false refout=false xorout=0x0000 check=0x29b1
    """
    assert crc16(b"123456789") == 0x29B1


def test_the_papers_example() -> None:
    """Cheshire & Baker (1999), figure 3: an IP packet's first bytes.

    As several libraries' own tests quote that figure.
    """
    data = bytes.fromhex("45 00 00 2c 4c 79 00 00 40 06 4f 37")
    assert cobs_encode(data).hex(" ") == "02 45 01 04 2c 4c 79 01 05 40 06 4f 37"


def as_the_paper_lists_it(data: bytes) -> bytes:
    """StuffData of Cheshire & Baker (1999), line for line: each FinishBlock opens the next block,
    also after one of 254 bytes without a zero, and the last one is always finished."""
    out, code_at, code = bytearray(1), 0, 1

    def finish_block() -> tuple[int, int]:
        out[code_at] = code
        out.append(0)
        return len(out) - 1, 1

    for byte in data:
        if byte == 0:
            code_at, code = finish_block()
            continue
        out.append(byte)
        code += 1
        if code == 0xFF:
            code_at, code = finish_block()
    finish_block()
    return bytes(out[:-1])


# Random bytes rarely have 254 in a row without a zero: runs about that length are made.
RUNS = st.lists(
    st.one_of(
        st.builds(lambda n, byte: bytes([byte]) * n, st.integers(250, 260), st.integers(1, 255)),
        st.binary(max_size=40),
        st.sampled_from([b"\0", bytes([9]) * 254, bytes([9]) * 508]),
    ),
    max_size=4,
).map(b"".join)


@settings(max_examples=1000)
@given(st.one_of(st.binary(max_size=700), RUNS))
def test_encoding_is_the_papers_listing_and_the_cobs_packages_but_for_one_byte(
    data: bytes,
) -> None:
    """1,000 rounds. The package leaves out the last, empty block after a full one."""
    encoded = cobs_encode(data)
    assert encoded == as_the_paper_lists_it(data)
    packaged = cobs.encode(data)
    if encoded != packaged:
        assert encoded == packaged + b"\x01"
        assert len(data) >= 254
        assert 0 not in data[-254:]
    assert cobs_decode(encoded) == cobs_decode(packaged) == cobs.decode(encoded) == data
    assert b"\0" not in encoded


def test_a_last_full_block_is_followed_by_an_empty_one() -> None:
    for count in (1, 2, 3):
        run = bytes([7]) * 254
        assert cobs_encode(run * count) == (b"\xff" + run) * count + b"\x01"


@settings(max_examples=2000)
@given(st.binary(min_size=1, max_size=300))
def test_unstuffing_agrees_on_what_is_no_cobs(data: bytes) -> None:
    """2,000 rounds beside the package cobs."""
    try:
        expected: bytes | None = cobs.decode(data)
    except cobs.DecodeError:
        expected = None
    assert cobs_decode(data) == expected


@given(
    st.lists(st.binary(min_size=1, max_size=LONGEST), max_size=8),
    st.lists(st.integers(1, 7), min_size=1),
)
def test_any_cut_of_the_stream_gives_the_payloads(payloads: list[bytes], cuts: list[int]) -> None:
    line = b"".join(frame(payload) for payload in payloads)
    deframer, found, at, turn = Deframer(), [], 0, 0
    while at < len(line):
        size = cuts[turn % len(cuts)]
        found += deframer.feed(line[at : at + size])
        at, turn = at + size, turn + 1
    assert found == payloads
    assert deframer.damaged == 0


@settings(max_examples=2000)
@given(st.binary(max_size=400))
def test_2000_rounds_of_garbage_harm_no_parser(noise: bytes) -> None:
    """2,000 rounds: nothing raises, and a good frame after garbage is still heard."""
    deframer = Deframer()
    for payload in deframer.feed(noise):
        parse(payload)
    good = TimeRequest(7).pack()
    assert good in deframer.feed(b"\0" + frame(good))


@given(st.binary(min_size=1, max_size=40), st.data())
def test_a_flipped_bit_is_found(payload: bytes, data: st.DataObject) -> None:
    """A CRC finds every single flipped bit: its polynomial has more than one term."""
    line = bytearray(frame(payload))
    place = data.draw(st.integers(0, len(line) - 2))
    line[place] ^= 1 << data.draw(st.integers(0, 7))
    assert payload not in Deframer().feed(bytes(line))


def test_an_overlong_message_is_refused() -> None:
    with pytest.raises(UserError, match="over 64"):
        frame(bytes(LONGEST + 1))


u8, u16, u32 = st.integers(0, 255), st.integers(0, 65535), st.integers(0, 2**32 - 1)
messages = st.one_of(
    st.builds(Hello, u8, u16),
    st.builds(HelloAck, u8, u16, u8, u8, u8, u8, u16, u16, u8, u8),
    st.builds(TimeRequest, u32),
    st.builds(TimeReply, u32, u32, u16),
    st.builds(StrikeAt, u8, u8, u32, u16),
    st.builds(HoldAt, u8, u8, u32, u32, u16, u8),
    st.builds(TurnAt, u8, u8, u32, u32, u16),
    st.builds(LightAt, u8, u8, u32, u8),
    st.builds(Acknowledge, u8, u32, u8),
    st.builds(Done, u8, u32, u8),
    st.builds(Status, u16, st.integers(-128, 127), st.integers(-40, 400), u16, u16, u8),
)


@given(messages)
def test_messages_round_trip(message: Message) -> None:
    payload = message.pack()
    assert parse(payload) == message
    assert parse(payload + b"x") is None
    assert len(frame(payload)) <= len(payload) + 4


@given(u32, st.integers(-(2**31) + 1, 2**31 - 1))
def test_times_compare_across_the_wrap(start: int, step: int) -> None:
    assert ticks_between(start, (start + step) % 2**32) == step


def test_a_tick_is_a_tenth_of_a_millisecond() -> None:
    assert ticks_of(1.0) == 10_000
    assert ticks_of(2**32 / 10_000 + 0.5) == 5_000
