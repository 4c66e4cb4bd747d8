"""The strike test: learn from one recording what each striker sounds like and can do.

Goal
----
A palette that can be trusted: pitch, partials, ring times free and damped,
latency, force curve, repeat limit and dampers of every striker, each with its
uncertainty, from one recording of test strokes. What went wrong in the
recording is found and said, and does not spoil the figures.

Flow
----
``course`` lays out the test's strokes; ``capture`` reads the recording;
``align`` finds the plan's clock in it; ``strokes`` finds each stroke's onset;
``modes`` and ``decay`` fit partials; ``force``, ``repeats`` and ``dampers``
measure what their names say; ``faults`` and ``foreign`` tell what to look at;
``pitch`` and ``likeness`` judge what the ear would; ``writing`` puts it all in
a palette file. `strike_test.measure` is the way through.
"""

from callresp.strike_test.results import Finding, MeasuredValue, StrikerResult, StrikeTestResult

__all__ = [
    "Finding",
    "MeasuredValue",
    "StrikeTestResult",
    "StrikerResult",
]
