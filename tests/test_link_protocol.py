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
