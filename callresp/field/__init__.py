"""At the place: site, air, log of the day."""
