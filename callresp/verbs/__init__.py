"""What is typed: each verb with its options and its help, and nothing that takes long to load."""
