"""One scheduler for each output: placing its intents in time, within its limits."""
