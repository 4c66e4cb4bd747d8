"""From a reply score to timed commands that keep every limit."""
