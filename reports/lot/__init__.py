"""The page of a lot."""
