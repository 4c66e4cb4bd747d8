"""What a palette can do, what it misses, and what one more striker would add."""
