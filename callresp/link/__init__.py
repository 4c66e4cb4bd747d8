"""The serial line to the board."""
