"""Listening: from sound to notes, voices and phrases."""

from callresp.listen.offline import transcribe, transcribe_lazily
from callresp.listen.profile import Profile, load_profile

__all__ = ["Profile", "load_profile", "transcribe", "transcribe_lazily"]
