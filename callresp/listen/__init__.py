"""Listening: from sound to notes, voices and phrases."""

from callresp.listen.hearing import hear
from callresp.listen.profile import Profile, load_profile

__all__ = ["Profile", "hear", "load_profile"]
