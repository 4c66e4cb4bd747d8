"""Synthetic singers and places, with exact truth for every note.

Goal
----
Recordings to rehearse with, to test against and to bench on, made from a
recipe: who sings what, how far off, over which noise. The same recipe gives
the same bytes (on one machine and one set of library versions), and each comes
with a heard score that is true by construction.

Conventions
-----------
- 48 kHz, one channel, float32.
- A note's *onset* is where the direct sound's envelope first rises above
  -20 dB re its peak, its *offset* where it last falls below: near where a
  person sees it leave the floor and sink into it. Both are counted as the
  sound reaches the microphone, so the way through the air is in them.
- A note's *level* is the RMS level of its direct sound between them, as it
  stands in the mix, dB re a full-scale sine; echoes and noise are not counted.
- A note's *pitch track* is that of its fundamental, every 4 ms or closer. What
  has no pitch (buzz, click, knock) has tonality 0 and no track. Two notes that
  one singer sings at once are two notes.
- A note's *snr_db* is its level over the noise in its band, widened to a third
  of an octave at least.
- The stated *SNR* of a scene is defined in callresp.scene.levels.
"""
