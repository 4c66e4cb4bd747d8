"""Echoes: ask a place by strokes, and hear what it gives back.

Goal
----
From a recorded train of strokes at known times: how long each return takes, how
loud it is, how far off its wall must be, and how surely it is no bird and no
chance. Nothing found is an answer as well.

Flow
----
``protocol`` lays out the strokes as a plan; ``alignment`` finds them in the
recording; ``deconvolution`` correlates all that follows each stroke with that
stroke's own first arrival; ``detection`` averages over the strokes, and tests
against chance; ``decay`` measures reverberation. `ask.ask_place` runs all of it.
"""
