"""One reading gets its value at the reference temperature in the working unit."""
