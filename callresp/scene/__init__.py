"""Synthetic singers and places, with exact truth for every note.

Goal
----
Recordings to rehearse with, to test against and to bench on, made from a
recipe: who sings what, how far off, over which noise. The same recipe gives
the same bytes, and each comes with a heard score that is true by construction.

Conventions
-----------
- 48 kHz, one channel, float32.
- A note's *onset* is where the direct sound's envelope first rises above
  -20 dB re its peak, its *offset* where it last falls below; both as they
  reach the microphone (sound travels at 343 m/s).
- A note's *level* is that of its direct sound between them, dB re a full-scale
  sine; echoes and noise are not counted.
- The stated *SNR* is the mean power of all direct sounds while they sound over
  the noise's mean power, both within 500 Hz to 12 kHz, where birds sing.
"""

from callresp.scene.recipe import Recipe, load_recipe, vary
from callresp.scene.render import Scene, render, render_to

__all__ = ["Recipe", "Scene", "load_recipe", "render", "render_to", "vary"]
