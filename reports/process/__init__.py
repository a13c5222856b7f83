"""The pages of a process and of a supplier."""
