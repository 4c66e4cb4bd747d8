"""Live MIDI over a JACK server: ports of ours, and clients of python-rtmidi's own."""

from __future__ import annotations

import queue
import time
from collections.abc import Iterator
from importlib import import_module
from typing import Any

import pytest
from jack_server import jack_server

from callresp.errors import UserError
from callresp.link.port import Clock
from callresp.midi import ports
from callresp.midi.ports import open_input, open_port
from callresp.play.inputs import Midi, midi_input

WAIT_S = 20.0


@pytest.fixture(scope="module")
def server() -> Iterator[Any]:
    with pytest.MonkeyPatch.context() as patch, jack_server(patch):
        yield import_module("rtmidi")


def connected(client: Any, name: str) -> None:
    """Open a client's port towards the port whose name holds `name`."""
    until_s = time.monotonic() + WAIT_S
    while time.monotonic() < until_s:
        places = [n for n, port in enumerate(client.get_ports()) if name in port]
        if places:
            client.open_port(places[0])
            return
        time.sleep(0.05)
    raise AssertionError(f"no port {name}")


def until_heard(send: Any, heard: queue.SimpleQueue[Any]) -> Any:
    """Send again and again until something has come: JACK drops MIDI when the machine is busy."""
    until_s = time.monotonic() + WAIT_S
    while time.monotonic() < until_s:
        send()
        try:
            return heard.get(timeout=0.2)
        except queue.Empty:
            continue
    raise AssertionError("nothing came over")


def test_a_virtual_input_hears_another_program(server: Any) -> None:
    inbox: queue.SimpleQueue[Any] = queue.SimpleQueue()
    clock = Clock()
    with midi_input("Doors in", True, inbox, clock):
        client = server.MidiOut(server.API_UNIX_JACK, "keys")
        connected(client, "Doors in")
        event = until_heard(lambda: client.send_message([0x90, 84, 100]), inbox)
        assert isinstance(event, Midi)
        assert event.data == b"\x90\x54\x64"
        assert 0 <= event.came_s <= clock.now_s()
        # A tuning change is a system exclusive message, which comes over whole.
        tuning = [0xF0, 0x7F, 0x7F, 8, 2, 0, 1, 60, 60, 0, 0, 0xF7]

        def heard_tuning() -> bytes:
            while (data := until_heard(lambda: client.send_message(tuning), inbox).data)[0] != 0xF0:
                pass
            return bytes(data)

        assert heard_tuning() == bytes(tuning)
        client.close_port()
        client.delete()


def test_a_virtual_output_is_heard_by_another_program(server: Any) -> None:
    mido: Any = import_module("mido")
    port = open_port("Doors out", virtual=True)
    heard: queue.SimpleQueue[Any] = queue.SimpleQueue()
    client = server.MidiIn(server.API_UNIX_JACK, "synth")
    client.set_callback(lambda event, data: heard.put(event[0]))
    connected(client, "Doors out")
    message = mido.Message("note_on", note=61, velocity=9)
    assert until_heard(lambda: port.send(message), heard) == [0x90, 61, 9]
    port.close()
    client.close_port()
    client.delete()


def test_an_input_that_is_not_there_is_told(server: Any) -> None:
    with pytest.raises(UserError, match="no MIDI input 'Nobody'"):
        open_input("Nobody", lambda data: None)


class Ports:
    """A system's MIDI outputs; opening one gives its name."""

    def get_output_names(self) -> list[str]:
        return ["Synth in", "Synth", "Clients:Bells", "Clients:Bars low", "Clients:Bars high"]

    def open_output(self, name: str, *, virtual: bool) -> str:
        return name


@pytest.mark.parametrize(
    ("asked", "opened"),
    [("Synth", "Synth"), ("Synth i", "Synth in"), ("Bells", "Clients:Bells"), ("Bars", "")],
)
def test_a_port_is_found_by_its_name_or_a_part_that_no_other_holds(
    asked: str, opened: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ports, "_backend", Ports)
    if opened:
        assert str(open_port(asked)) == opened
        return
    with pytest.raises(UserError, match="'Clients:Bars low', 'Clients:Bars high'"):
        open_port(asked)
