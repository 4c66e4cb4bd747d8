"""How loud: A-weighting, calibration to sound pressure, the level meter."""
