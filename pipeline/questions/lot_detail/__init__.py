"""What a critical reader of one lot asks: capability, components, suspects, material."""
