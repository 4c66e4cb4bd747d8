"""The desk: a page in the machine's own browser, to tune by ear and eye."""
