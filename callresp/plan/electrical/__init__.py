"""Currents, coil heat and battery: the physics that planner, checker and board share."""
