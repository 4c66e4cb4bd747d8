"""Which singer sang each note, and where phrases end."""
