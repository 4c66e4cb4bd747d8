"""The inner loops of the listener, compiled by numba."""
