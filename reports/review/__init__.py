"""The monthly review."""
