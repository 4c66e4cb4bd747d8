"""Scores of detectors against annotations, and detectors beside each other."""
