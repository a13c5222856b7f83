"""The page of a gauge study."""
