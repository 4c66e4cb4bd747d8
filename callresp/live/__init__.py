"""The online engine: microphone in, link out."""
