"""Listening: from sound to notes, voices and phrases."""

from callresp.listen.offline import hear, hear_long
from callresp.listen.profile import Profile, load_profile

__all__ = ["Profile", "hear", "hear_long", "load_profile"]
