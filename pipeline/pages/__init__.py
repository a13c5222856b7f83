"""Typed results become page files: only those that changed, in several processes, also as PDF."""
