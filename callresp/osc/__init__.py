"""Open Sound Control: what the machine hears and does, told to other software; and its requests."""
