"""The strikers and turners at hand, and their limits."""

from callresp.palette.files import fingerprint, load_palette
from callresp.palette.model import Palette, Striker, Turner

__all__ = ["Palette", "Striker", "Turner", "fingerprint", "load_palette"]
