"""Bytes to text to declared columns: one fate for every line of a file."""
