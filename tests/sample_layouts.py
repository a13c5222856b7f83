"""What layouts of tests have in common: a lot, a time, a value, of parts that stand at metal temperature; and a whole one."""

__all__ = ["GOOD", "LOT_WHEN_VALUE"]

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

GOOD = """
name = "good"
version = 1
zone = "Europe/Oslo"
[dialect]
delimiter = ";"
[schema]
decimalChar = ","
[[schema.fields]]
name = "When"
column = "measured_at"
type = "datetime"
format = "%d.%m.%Y %H:%M"
[[schema.fields]]
name = "Lot"
column = "lot"
[[schema.fields]]
name = "Value"
column = "value"
type = "number"
unit = "MS/m"
[constants]
meter = "EC-01"
role = "part"
temperature_state = "at_metal"
"""
