"""Lots in time order: streams, processes, suppliers."""
