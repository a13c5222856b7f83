"""The readings of a lot become limits met, support, uncertainty, flags and its verdict."""
