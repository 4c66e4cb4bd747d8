"""One scheduler per kind of actuator: coil, striker, damper, motor."""
