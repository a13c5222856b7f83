"""The work itself, as plain functions: read, validate, store, compute, render. Nothing here knows about flows."""
