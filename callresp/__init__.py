"""callresp: hear a place, answer it on real strikers."""

__version__ = "0.1.0"
