"""Texts of test reports and statements of nonconformity.

What has to stand there follows ISO/IEC 17025:2017, 7.8, and EN 10204 (both from memory).
"""

from __future__ import annotations

__all__ = ["CAUTION", "CHART", "COLUMN", "CORRECTED", "FACT", "FOOT", "NOTE", "RESULT", "SIGN", "TABLE", "TITLE"]

TITLE = {
    "test_report": "Test report",
    "nonconformity": "Statement of nonconformity",
    "on": "Electrical conductivity of metal, {lots}",
}

FACT = {
    "number": "Number", "issued": "Issued", "customer": "Customer", "order": "Order", "specification": "Specification",
    "limits": "Limits", "judged_by": "Compared", "rule": "Decision rule", "rounding": "Rounding", "plan": "Plan",
    "plan_text": "{parts} · {spots} · {repeats} (least parts, spots on each, readings on each)", "unnamed": "not stated", "any": "–",
    "from": "{name}, from {source}", "hash": "Hash",
}  # fmt: skip

RESULT = {
    "accept": "Conforms", "reject": "Does not conform", "hold": "On hold: conformity is not shown", "rejected": "Rejected by decision",
    "said": "Lot {lot}: {sentences}", "decided": "Decided on lot {lot}: {decisions}.",
}  # fmt: skip

TABLE = {
    "results": "Results at {reference} °C. U is the expanded uncertainty: k times the standard uncertainty, for a coverage of "
    "{percent} (JCGM 100). It holds for the mean; a compared value has its own.",
    "read": "Readings, and the checks of the meter on certified blocks before and after them. Times in {zone}.",
    "blocks": "Reference blocks of these checks, with their certificates.",
    "more": "{n} more rows stand in the lot reports.",
}

COLUMN = {
    "lot": "Lot", "what": "Product, material, heat", "mean": "Mean ± U", "k": "k", "compared": "Lowest and highest",
    "u": "± U (k)", "counts": "Parts · spots · readings", "result": "Result", "meter": "Meter", "probe": "Probe, frequency",
    "before": "Check before", "first": "First to last reading", "after": "Check after", "readings": "Readings",
    "block": "Block", "certificate": "Certificate", "value": "Certified value", "certified": "Dated", "due": "Due",
}  # fmt: skip

CHART = {
    "title": "The lots against the limits of their specification.",
    "key": "Thin line: lowest to highest compared value. Filled square (filled diamond where the lot is rejected) and thick line: mean ± U. {zone}",
    "key_compared": "Thin line: lowest to highest compared value. {zone}",
    "zone": "Shaded: guard bands, where a value is not accepted.", "axis": "Conductivity at {reference} °C, {unit}",
    "resistivity": "Resistivity at {reference} °C, {unit}", "lower": "lower limit {value}", "upper": "upper limit {value}",
}  # fmt: skip

NOTE = {
    "method": "Method: eddy currents, by a contact probe on the surface of the metal. {temperature}",
    "measured": "Metal temperature {low} to {high} °C, values {states}.",
    "stated": "Values {states}.",
    "models": "To {reference} °C by: {models}.",
    "corrected": "Values corrected for {kinds}, by the table of the works: {lots}.",
    "bias": "The known bias of the meter is taken off: {lots}.",
    "left_out": "Readings in the record that enter no figure (without a value, not comparable, or left out by a recorded decision): {lots}.",
    "left_out_of": "{n} of {lot}",
    "earlier": "Reports issued on these lots before: {numbers}.",
    "received": "Received on {day}: {lots}.",
}

CORRECTED = {"thickness": "thickness", "curvature": "curvature", "stacked": "stacked pieces", "coating": "coating"}

CAUTION = {
    "decides": "The governing specification decides, and people authorised under it. Conductivity is one piece of evidence: parts of "
    "aircraft, parts under pressure and electrical conductors are never accepted on this report alone.",
    "scope": "The results are those of the parts that were read. Customer, order, product, material and heat are as entered by the works.",
    "accreditation": "This report claims no accreditation. Whether it serves as an inspection document of EN 10204, and of which type, is for "
    "the order and the authorised inspection representative to say.",
    "whole": "It may be copied only whole.",
}

SIGN = {"name": "For the works: {by}", "place": "Place and date", "signature": "Signature"}

FOOT = {
    "hash": "Hash of what is stated here: {hash}. The works holds this paper against its record by: annealog verify --report {typed}",
    "made": "State of the data {at}, annealog {version}.",
    "running": "{title} {number}, {hash}",
}
