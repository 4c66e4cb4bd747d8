"""From a heard score to a reply score."""
