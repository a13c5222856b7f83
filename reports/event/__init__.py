"""The page of a look-back event."""
