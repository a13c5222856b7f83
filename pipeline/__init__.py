"""Intake, history, metrology, statistics, rules and the flows that join them."""
