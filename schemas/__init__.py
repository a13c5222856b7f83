"""Every table and result, declared once."""
