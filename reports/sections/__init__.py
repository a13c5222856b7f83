"""Sections that pages of more than one kind show."""
