"""Gauge studies: plan, result, cautions."""
