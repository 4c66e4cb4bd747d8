"""From sound to notes, voices, phrases and pulse."""
