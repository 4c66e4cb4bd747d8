"""Recordings, scores, settings and files: reading and writing."""
