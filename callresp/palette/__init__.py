"""The strikers and turners at hand, and their limits."""

from callresp.palette.files import faults_in, fingerprint, load_palette
from callresp.palette.model import Palette, Striker, Turner

__all__ = ["Palette", "Striker", "Turner", "faults_in", "fingerprint", "load_palette"]
