"""Listening: from sound to notes, voices and phrases."""
