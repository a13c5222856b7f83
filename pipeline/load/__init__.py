"""A file in the inbox becomes stored readings in one transaction, or says why not."""
