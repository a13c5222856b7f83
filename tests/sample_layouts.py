"""What layouts of tests have in common: a lot, a time, a value, of parts that stand at metal temperature."""

__all__ = ["LOT_WHEN_VALUE"]

LOT_WHEN_VALUE = """
[[schema.fields]]
name = "Lot"
column = "lot"
[[schema.fields]]
name = "When"
column = "measured_at"
type = "datetime"
[[schema.fields]]
name = "Value"
column = "value"
type = "number"
unit = "MS/m"
[constants]
role = "part"
temperature_state = "at_metal"
"""
