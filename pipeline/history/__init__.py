"""The history: the only place with SQL."""
