"""Stored readings and reference tables become one assessment."""
