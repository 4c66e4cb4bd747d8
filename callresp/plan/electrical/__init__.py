"""Current, heat and charge of a plan."""
