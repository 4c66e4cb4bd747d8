"""The protocol's page says what the code does."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

from callresp.link.framing import Deframer
from callresp.link.messages import parse

ROOT = Path(__file__).resolve().parent.parent
PAGE = ROOT / "callresp" / "link" / "PROTOCOL.md"


def test_the_page_is_up_to_date() -> None:
    words = [sys.executable, str(ROOT / "tools" / "protocol.py"), "--check"]
    assert subprocess.run(words, check=False).returncode == 0, "run tools/protocol.py"


def test_every_worked_frame_reads_back() -> None:
    text = PAGE.read_text(encoding="utf-8")
    blocks = re.findall(r"```text\n(.+?)\nmessage (.+?)\nCRC .+?\nframe +(.+?)\n```", text)
    assert len(blocks) == 16
    for said, message, line in blocks:
        (payload,) = Deframer().feed(bytes.fromhex(line))
        assert payload == bytes.fromhex(message)
        assert str(parse(payload)) == said


def test_who_builds_a_board_from_the_page_learns_every_unit() -> None:
    """A pulse taken for ticks is ten times too long, and a stop taken for a copy is passed over."""
    page = " ".join(PAGE.read_text().split())
    said = dict(re.findall(r"### 0x.. (\w+) \(\w+\)(.*?)```text", page))
    assert "`pulse` hundredths of a millisecond" in said["StrikeAt"]
    assert "`length` ticks" in said["HoldAt"]
    assert "`pull` ticks" in said["HoldAt"]
    assert "`duty` of 255" in said["HoldAt"]
    assert "`speed` hundredths of rev/s" in said["TurnAt"]
    assert "`level` of 255" in said["LightAt"]
    assert "hundredths of a degree" in said["Sensed"]
    for name in ("Cancel", "Stop"):
        assert "`sequence` counts for nothing" in said[name]
