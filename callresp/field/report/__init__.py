"""The page of a day in the field."""
