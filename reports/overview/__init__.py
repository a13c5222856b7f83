"""Pages about the works as a whole: index, board, monthly review."""
