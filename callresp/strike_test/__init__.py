"""The strike test: measure what each striker sounds like and can do, from one recording.

Goal
----
A palette that can be trusted: pitch, partials, ring times free and damped,
latency, force curve, repeat limit and damper of every striker, each with its
uncertainty, from one recording of test strokes. What went wrong in the
recording is found and reported, and does not spoil the figures.

Flow
----
``protocol`` lays out the test's strokes as a plan; ``capture`` reads the
recording; ``align`` finds the plan's clock in it; ``onsets`` and ``strokes``
find each stroke; ``modes`` and ``decay`` fit partials; ``strike_amplitude``,
``force`` and ``dampers`` measure what their names say; ``stroke_faults``,
``interference`` and ``findings`` report what needs a look; ``strike_pitch``
judges pitch and kind as the ear would; ``toml_update`` writes it all into a
palette file. `analysis.measure` runs all of it for a recorded plan,
`manual.measure` for strokes by hand.
"""
