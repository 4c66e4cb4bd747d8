"""What the verbs do: read, call the rooms, print; a module each."""
