"""The page of a block."""
