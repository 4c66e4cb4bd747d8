"""The board's firmware: its core in C, board layers, and what they are told of a palette."""
