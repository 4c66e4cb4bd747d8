"""Everything that can be heard and seen without hardware."""
