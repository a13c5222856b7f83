"""Layouts that come with the product."""
