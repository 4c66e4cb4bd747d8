"""The strikers and turners at hand, and their limits."""
