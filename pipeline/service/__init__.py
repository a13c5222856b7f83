"""The resident service: what arrives, what is due by the clock, whom to tell."""
