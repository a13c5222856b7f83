"""What was said is kept, so that asking again costs nothing; it holds only for the history, program and texts it names."""
