"""The serial line to the board: framing, messages, sessions, and a simulated board."""
