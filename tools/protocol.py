"""Write the protocol's page, with frames worked from the code itself.

python tools/protocol.py            write callresp/link/PROTOCOL.md
python tools/protocol.py --check    status 1 when the page is not as it should be
"""

from __future__ import annotations

import inspect
import sys
from pathlib import Path

import click
import msgspec

from callresp.io.files import write_text
from callresp.link import messages as m
from callresp.link.framing import crc16, frame

PAGE = Path(__file__).resolve().parent.parent / "callresp" / "link" / "PROTOCOL.md"

EXAMPLES: tuple[tuple[str, m.Message], ...] = (
    ("host", m.Hello(m.VERSION, 7)),
    ("board", m.HelloAck(m.VERSION, 7, 4, 13, 1, 64, 200, 0, 1, 0)),
    ("host", m.TimeRequest(123_456)),
    ("board", m.TimeReply(123_456, 12_345_678, 7)),
    ("host", m.StrikeAt(0, 3, 12_350_000, 850)),
    ("host", m.HoldAt(1, 8, 12_349_700, 5000, 300, 76)),
    ("host", m.TurnAt(2, 0, 12_360_000, 20_000, 250)),
    ("host", m.LightAt(3, 0, 12_345_700, 0)),
    ("board", m.Acknowledge(4, 0, 60)),
    ("board", m.Done(0, 12_350_000, 0)),
    ("board", m.Status(12_400, 21, 48, 3, 0, 0)),
    ("host", m.Cancel(0)),
    ("host", m.Stop(0)),
    ("host", m.SleepFor(30_600, 60)),
    ("board", m.Sleeping(30_600, 60)),
    ("board", m.Sensed(412, 875, 91, 0)),
)
WIDTHS = {"B": "u8", "b": "i8", "H": "u16", "h": "i16", "I": "u32"}

HEAD = """# The line between host and board

*Written by `tools/protocol.py` from the code; a test holds it to that.*

115,200 baud, 8 data bits, no parity, 1 stop bit. A frame is a message and its CRC, high byte first,
encoded by COBS (Cheshire & Baker 1999) and ended by a zero byte. The CRC is CRC-16/IBM-3740:
polynomial 0x1021, initial value 0xFFFF, not reflected; check value 0x{check:04X} over `123456789`.
Damaged frames are dropped silently; whoever misses something asks again.

Numbers are little-endian. Times are *ticks* of 0.1 ms on the board's clock in 32 bits; they wrap
after almost five days and are compared by their signed difference.

1. The host sends **Hello** with its protocol version and a session number; the board answers
   **HelloAck** with its channels, its buffer, the silence after which it releases everything, and
   how often it has started. A new session number releases what the last one switched on, drops
   what waited from it, and begins the commands' numbers at 0.
2. The host sends a **TimeRequest** every 60 ms, which is also its heartbeat. After `silence_ms`
   without a good frame the board releases every coil, stops every motor, cancels what waits, and
   reports it. After a reset the board's session is 0, and it takes no command until it is greeted.
3. Commands go out up to 3 s ahead, as far as the board's **credit** goes. Each carries its own end:
   the board never waits for an "off". Numbers run from 0 to 255 and wrap; the board takes any of
   the next {window}, each once, and **acknowledges**, once in 5 ms for all that came, with the
   first it misses and a bit for each beyond, the lowest for the next. The host resends what is
   missing after 100 ms, older ones before new ones.
4. A command more than 2 ms late, over a limit of its channel, of the supply or of a coil's heat, or
   for a channel that is busy or not there, is refused. **Done** reports the outcome of each.
5. **Cancel** drops what waits. **Stop** also releases everything at once. Both are obeyed whenever
   they come: their number is not one of the commands'.
6. **Lights** are time-stamped too, so that a machine among birds can be dark: the status light,
   number 0, is lit when the board starts and obeys from then on. Dark stays dark, through stop,
   silence and a new session, until the board starts anew. In a **dry run** (mode 1 of HelloAck) the
   board keeps every limit and reports every outcome, but lights its lamps instead of switching
   coils and motors, all channels in turn over all lamps.
7. **A flat battery** is one that is below its cut-off for 3 s on end, read while nothing is on (or
   under a load that lasts longer than 2 s). The board then releases everything, reports "low
   voltage" and refuses what would switch on, until it has been a thirty-second above the cut-off
   for 30 s on end.
8. **A jammed motor** is one whose encoder, after the time that it has to start, counts less than a
   quarter of what its speed would give in 0.5 s (or in the time of 8 counts). The board switches it
   off, reports "motor jammed", and refuses its runs for 10 s; a run in which it turns clears that.
9. A host that greets in another version gets the board's own in HelloAck and is not obeyed: the
   session stays 0, and none of its commands is taken.
10. **SleepFor** ends the session: all is released and what waits is cancelled at once; `after_s`
   seconds later (at most {after}) the board sleeps for `seconds` (at most {sleep}), its power-down
   pin high. **Sleeping** says what it will do; 0 seconds, where it can't sleep. A greeting before
   that calls it off. Without a host for 10 minutes it sleeps as well, until it is called. A byte
   wakes it, and is lost: the host greets every 0.25 s until it is answered. Awake by a byte it
   waits 2 s for a greeting before it sleeps on, awake by its timer 10 minutes. It wakes in session
   0, silent; how warm its coils are is kept. Boards of firmware below {firmware} know no sleep.
11. **Sensed** comes every 5 s from a board that has sensors; hosts that don't know it pass over it.
12. **A restart forgets nothing that could burn**: heat, on-time, a jammed motor's rest and a flat
   battery are kept, the time off counted as none. A board that knows nothing of what was before,
   as after power was off, takes each coil for as hot as it may be and as having just had all of
   its cycle. While any coil has nothing left so, it reports "coils resting", also behind HelloAck;
   a host that has a plan waits for the end of that. Firmware below 5 forgets.

A strike is {plain} bytes, {strike} on the line; its outcome comes back in {done}, a receipt, at
most every 5 ms, in {receipt}. So 115,200 baud, or 11,520 bytes a second each way, carry {rate}
strikes a second out beside the heartbeat, and the outcomes of {back} back.
"""


def layout_of(message: m.Message) -> str:
    """The fields of a message with their widths, as text."""
    codes = message.layout.format.lstrip("<")
    names = [field.name for field in msgspec.structs.fields(type(message))]
    fields = [f"{name} {WIDTHS[code]}" for name, code in zip(names, codes, strict=True)]
    return ", ".join(["kind u8", *fields])


def said_of(message: m.Message) -> str:
    """What the class says of its message, without its sender: units above all."""
    text = inspect.cleandoc(type(message).__doc__ or "").partition(": ")[2]
    return text[0].upper() + text[1:]


def page() -> str:
    """The page as it should be."""
    strike = m.StrikeAt(1, 3, 12_350_001, 850)
    sizes = {
        "strike": len(frame(strike.pack())),
        "done": len(frame(m.Done(1, 12_350_001, 1).pack())),
        "receipt": len(frame(m.Acknowledge(1, 0, 61).pack())),
    }
    request, reply = len(frame(m.TimeRequest(1).pack())), len(frame(m.TimeReply(1, 1, 1).pack()))
    line = 115_200 / 10
    head = HEAD.format(
        check=crc16(b"123456789"),
        window=32,
        after=m.SLEEP_AFTER_MOST_S,
        sleep=m.SLEEP_MOST_S,
        firmware=m.SLEEPS_SINCE_FIRMWARE,
        plain=len(strike.pack()),
        rate=int((line - request / 0.06) / sizes["strike"]),
        back=int((line - reply / 0.06 - 200 * sizes["receipt"]) / sizes["done"]),
        **sizes,
    )
    rows = ["", "## Messages, each with a worked frame", ""]
    for sender, message in EXAMPLES:
        name = type(message).__name__
        payload = message.pack()
        rows += [
            f"### 0x{message.kind:02x} {name} ({sender})",
            "",
            f"{layout_of(message)}.",
            "",
            said_of(message),
            "",
            "```text",
            f"{message}",
            f"message {payload.hex(' ')}",
            f"CRC     {crc16(payload):04x}",
            f"frame   {frame(payload).hex(' ')}",
            "```",
            "",
        ]
    outcomes = ", ".join(f"{number} {name}" for number, name in enumerate(m.OUTCOMES))
    faults = ", ".join(f"{1 << bit} {name}" for bit, name in enumerate(m.FAULTS))
    rows += [f"Outcomes of Done: {outcomes}. Faults of Status, added up: {faults}.", ""]
    return head + "\n".join(rows)


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--check", is_flag=True, help="Only compare.")
def main(check: bool) -> None:
    """Write or check the protocol's page."""
    if check:
        sys.exit(0 if PAGE.read_text(encoding="utf-8") == page() else 1)
    write_text(PAGE, page())
    click.echo(f"wrote {PAGE.name}")


if __name__ == "__main__":
    main()
