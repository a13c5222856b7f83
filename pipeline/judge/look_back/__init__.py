"""From a signal to the lots it touched, and to its closure."""
