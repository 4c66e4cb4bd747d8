"""Packets of Open Sound Control 1.0, made and read by python-osc; read only where they are sound.

A packet comes from the network and may be anything. python-osc follows an
element's size wherever it leads, back as well, and asks for no bound of nesting;
so a packet's frame is checked here first, by the specification: sizes are
multiples of four, above 0 and within the packet, type tags are those that our
addresses take.

Source: The Open Sound Control 1.0 Specification (M. Wright, 2002).
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass

from callresp.io.wording import counted

Argument = int | float | str | bool

BUNDLE = b"#bundle\0"
# "As soon as it comes", as a time tag.
AT_ONCE = 1
# Bundles in bundles, and the most bytes that are looked at.
DEEPEST = 4
LARGEST = 8192
TAGS = frozenset("ifsdhTF")


class OscFault(ValueError):  # noqa: N818 - the word that the project has for it
    """A packet that is none by the specification, in one line."""


@dataclass(frozen=True, slots=True)
class Message:
    """An address and its arguments."""

    address: str
    arguments: tuple[Argument, ...] = ()


def packet(messages: Sequence[Message], unix_s: float | None = None) -> bytes:
    """A bundle of messages.

    Parameters
    ----------
    messages
        At least one.
    unix_s
        When it happened or will, seconds since 1970; `None` says "at once".

    Examples
    --------
    >>> packet([Message("/a", (1,))])[:16].hex(" ")
    '23 62 75 6e 64 6c 65 00 00 00 00 00 00 00 00 01'
    """
    from pythonosc.osc_bundle_builder import IMMEDIATELY, OscBundleBuilder

    bundle = OscBundleBuilder(IMMEDIATELY if unix_s is None else unix_s)  # type: ignore[arg-type]
    for message in messages:
        bundle.add_content(_built(message))  # type: ignore[arg-type]
    return bytes(bundle.build().dgram)


def single(message: Message) -> bytes:
    """One message without a bundle, as answers are sent."""
    return bytes(_built(message).dgram)  # type: ignore[attr-defined]


def _built(message: Message) -> object:
    from pythonosc.osc_message_builder import OscMessageBuilder

    builder = OscMessageBuilder(address=message.address)
    for argument in message.arguments:
        builder.add_arg(argument)
    return builder.build()


def read_packet(data: bytes) -> list[Message]:
    """The messages of a packet, those of bundles in their order; time tags are not waited for.

    Raises
    ------
    OscFault
        Where it is no packet.
    """
    from pythonosc.osc_message import OscMessage, ParseError

    if len(data) > LARGEST:
        raise OscFault(f"too long, {counted(len(data), 'byte')}")
    found = []
    for part in _parts(data, 0):
        _check_tags(part)
        try:
            read = OscMessage(part)
        except (ParseError, ValueError, struct.error) as fault:
            raise OscFault(f"no message ({fault})") from None
        found.append(Message(read.address, tuple(read.params)))
    return found


def _parts(data: bytes, depth: int) -> list[bytes]:
    """The plain messages in a packet."""
    if len(data) % 4 or not data:
        raise OscFault(f"a length of {counted(len(data), 'byte')}, no multiple of four")
    if data.startswith(b"/"):
        return [data]
    if not data.startswith(BUNDLE) or len(data) < 16:
        raise OscFault("neither a message nor a bundle")
    if depth == DEEPEST:
        raise OscFault("bundles nested too deep")
    found, at = [], 16
    while at < len(data):
        size = int.from_bytes(data[at : at + 4], "big", signed=True)
        if size <= 0 or at + 4 + size > len(data):
            raise OscFault(f"an element of {counted(size, 'byte')}")
        found += _parts(data[at + 4 : at + 4 + size], depth + 1)
        at += 4 + size
    return found


def _check_tags(data: bytes) -> None:
    end = data.find(b"\0")
    if end < 0:
        raise OscFault("an address without an end")
    start = (end // 4 + 1) * 4
    if start >= len(data):
        return
    tags = data[start:].split(b"\0", 1)[0]
    if not tags.startswith(b","):
        raise OscFault("no type tags")
    unknown = {chr(tag) for tag in tags[1:]} - TAGS
    if unknown:
        raise OscFault(f"arguments of type {', '.join(sorted(unknown))!r}")
