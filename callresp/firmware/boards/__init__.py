"""Board layers: what touches a chip."""
