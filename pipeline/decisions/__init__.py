"""A person's decision becomes an event of the chain."""
