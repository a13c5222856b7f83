"""The checks of a meter become limits, signals, drift and its state."""
