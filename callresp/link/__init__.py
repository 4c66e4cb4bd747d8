"""The serial line to the board."""

from callresp.link.port import open_port, simulated_board
from callresp.link.session import Report, Session
from callresp.link.stream import stream

__all__ = ["Report", "Session", "open_port", "simulated_board", "stream"]
