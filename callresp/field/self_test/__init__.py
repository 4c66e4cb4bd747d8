"""The self-test: strike each striker once, listen, and compare with the palette."""
