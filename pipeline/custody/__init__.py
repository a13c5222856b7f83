"""Whether the record is whole; how it is rebuilt, backed up, handed over."""
