"""Standard MIDI Files, tuning, and live MIDI ports."""
