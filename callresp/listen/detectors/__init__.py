"""Onset and pitch detectors of other libraries behind one interface."""
