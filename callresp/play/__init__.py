"""Played by hand: keys in, checked commands out, the moment they are pressed."""
