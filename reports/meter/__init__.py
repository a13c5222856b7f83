"""The page of a meter."""
