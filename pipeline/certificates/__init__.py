"""Digital calibration certificates: bytes -> a typed certificate -> rows for the reference tables, and back.

The open XML schema (DCC) and the format for quantities (D-SI) are those of the Physikalisch-Technische Bundesanstalt;
their schema files in `xsd/` are theirs, under the GNU LGPL 3 that stands at the head of each. Nothing is ever fetched.
"""
