"""A report on lots that leaves the house, on one sheet."""
