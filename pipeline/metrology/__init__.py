"""Pure metrology: units, temperature, uncertainty, conformity, block checks, support, look-back."""
