"""Texts of uncertainty, conformity, the bias line, in English."""

from __future__ import annotations

__all__ = ["BIAS", "BUDGET", "BUDGET_OF", "CONFORMITY", "GUARD_FROM"]

BUDGET_OF = {
    "reading": "Single reading",
    "spot": "Spot mean",
    "part": "Part mean",
    "lot_mean": "Lot mean",
}

BUDGET = {
    "table": "Uncertainty budgets: standard uncertainties, each already multiplied by its sensitivity (GUM, JCGM 100).",
    "table_block": "Uncertainty budget of a single reading near the value of each block, as the latest checks have it; "
    "drift over one check interval.",
    "contribution": "Contribution",
    "share": "Share of the variance",
    "share_of": "Share of the variance ({of})",
    "degrees": "Degrees of freedom",
    "averages": "Falls with more readings",
    "source": "Source",
    "combined": "Combined standard uncertainty",
    "effective": "Effective degrees of freedom",
    "factor": "Coverage factor",
    "bias": "Known bias, not corrected; its amount is added",
    "expanded": "Expanded uncertainty",
    "readings_of": "{of}, {readings}",
    "none": "none: {reason}",
    "infinite": "infinite",
    "notes": "Left out or added:",
    "welch": "Welch-Satterthwaite (GUM G.4.1), truncated for the coverage factor",
    "coverage": "Student's t (GUM G.6.4)",
    "gum_bias": "GUM F.2.4.5",
    "root": "root of the sum of squares (GUM 5.1.2)",
    "sum": "coverage factor times combined standard uncertainty, plus the known bias",
}

GUARD_FROM = {
    "expanded_uncertainty": "the expanded uncertainty of one compared value",
    "conformance_probability": "a probability of conforming of at least {probability} at its edge (JCGM 106; ISO 14253-1)",
}

CONFORMITY = {
    "none": "There are no limits to compare with.",
    "no_uncertainty": "How surely it conforms cannot be said: {reason}.",
    "limits": "Limits",
    "guard": "Guard band",
    "guard_none": "none (simple acceptance): a value on the limit is accepted, whatever its uncertainty",
    "guard_text": "{width} {unit}, from {origin}",
    "zone": "Accepted",
    "zone_empty": "nothing: the guard bands meet",
    "uncertainty": "Uncertainty of one compared value",
    "uncertainty_text": "±{u} {unit} (k = {k})",
    "bias": "Known bias left in",
    "lowest": "Lowest {what}",
    "highest": "Highest {what}",
    "only": "The {what}",
    "table": "The outermost compared values with their expanded uncertainty.",
    "value": "Value",
    "from": "From",
    "to": "To",
    "place": "Place",
    "in_zone": "inside the acceptance zone",
    "in_guard": "in a guard band",
    "beyond": "beyond a limit",
    "accepted": "The value that conforms least surely does so with a probability of {probability}: accepting it carries a risk "
    "of {risk} that it lies beyond a limit in truth (specific risk, JCGM 106).",
    "rejected": "The value farthest beyond its limit conforms with a probability of {probability} in truth: that is the risk of "
    "rejecting it wrongly (specific risk, JCGM 106).",
    "undecided": "The value that conforms least surely does so with a probability of {probability}: too little to accept it, "
    "too much to reject it.",
    "bias_off": "The known bias of {bias} {unit} is taken off for this probability.",
    "chart": "The outermost compared values with their expanded uncertainty, against limits and guard bands.",
    "key": "Filled square: compared value, filled diamond beyond a limit; line: plus and minus its expanded uncertainty. Shaded: guard bands, where a value is undecided.",
    "key_simple": "Filled square: compared value, filled diamond beyond a limit; line: plus and minus its expanded uncertainty. There is no guard band: acceptance is simple.",
    "axis": "Compared value, {unit}",
    "lower": "lower {value}",
    "upper": "upper {value}",
    "edge": "accepted to {value}",
    "edge_lower": "accepted from {value}",
    "least": "less than 1 in 10,000",
    "most": "more than 9,999 in 10,000",
    "low_end": "lowest {value}",
    "high_end": "highest {value}",
    "end": "value {value}",
    "guard_name": "guard band",
    "what_spot": "spot mean",
    "what_part": "part mean",
    "what_lot_mean": "lot mean",
    "what_k_method": "lot mean",
}

BIAS = {
    "chart": "Bias on each block (the meter's level now), over its certified value, {name}, with the line through them.",
    "key": "Circle with bar: block and 95 % interval. Straight line: weighted fit. Shaded: its 95 % band, between the blocks only.",
    "series": "probe {probe}, {frequency} kHz",
    "all": "all checks",
    "level_axis": "Conductivity, {unit}",
    "bias_axis": "Bias, {unit}",
    "no_bias": "no bias",
    "line": "line",
    "band": "95 % band",
    "table": "The blocks behind the line. Scatter and certificate are standard uncertainties.",
    "block": "Block",
    "certified": "Certified value",
    "checks": "Checks",
    "bias": "Bias",
    "scatter": "From scatter of checks",
    "certificate": "From certificate",
    "chain": "Chain of calibration",
    "on_line": "Bias on the line",
    "u_line": "Its standard uncertainty",
    "none": "There is no line: {reason}.",
    "slope": "The bias changes by {slope} {unit} for each {unit} (95 % interval {low} to {high}), between blocks of {lowest} and "
    "{highest} {unit}.",
    "ends": "On the line it is {low} ± {u_low} {unit} at the lower end and {high} ± {u_high} {unit} at the upper end (95 %).",
    "fit": "About the line χ² is {chi} (degrees of freedom: {df}). The {level} point of its distribution is {limit}, so the blocks "
    "fit the line (ISO/TS 28037) and its covariance stands.",
    "misfit": "About the line χ² is {chi} (degrees of freedom: {df}). The {level} point of its distribution is {limit}, so the blocks "
    "do not fit the line (ISO/TS 28037): its covariance was enlarged by {ratio} (Birge), and its intervals use Student's t.",
    "two_blocks": "Two blocks fix a line exactly: whether the bias is straight between them was not seen.",
    "both_axes": "With the certificates' errors along the value (ISO/TS 28037, clause 7) the bias in the middle is {bias} (standard "
    "uncertainty {u_bias}) {unit}, its slope {slope} ({u_slope}).",
    "no_both_axes": "A fit with errors in both axes is not stated: {reason}.",
    "inverse": "A check mean of {reading} {unit} stands for {value} {unit} (95 % interval {low} to {high}, Fieller).",
    "no_inverse": "What a check mean of {reading} {unit} stands for is not stated: {reason}.",
    "control_in": "The latest run lies on the line of the checks before it: the largest of {n} deviations is {largest} {unit}, all "
    "together may reach {limit} (95 %, NIST handbook 2.3.7, degrees of freedom: {df}).",
    "control_out": "The latest run does not lie on the line of the checks before it: {block} deviates by {largest} {unit}, all {n} "
    "together may reach {limit} (95 %, NIST handbook 2.3.7, degrees of freedom: {df}). It changes no verdict; look at the meter.",
    "no_control": "The line as a whole is not controlled: {reason}.",
    "independent": "Certificates are taken as independent of one another.",
    "uncorrelated_chain": "Certificates of one chain are taken as independent, too (certificate_correlation = 0).",
    "correlated": "Certificates of one chain are taken as correlated, r = {r}.",
    "table_lot": "Bias of the meters when they read the lot, from checks before the closing run: their level on the nearest block (a "
    "local level over the checks since the setting, begun again after a step), which the budget counts where nothing is taken "
    "off, and the line over their blocks at the lot's level.",
    "known": "Level of the meter",
    "meter": "Meter",
    "level": "Level",
    "blocks": "Blocks",
    "u_bias": "Standard uncertainty",
    "applied": "Taken off",
    "remark": "Remark",
    "left_in": "The bias of the line is reported and not taken off the values (setting apply_bias_line).",
    "taken_off": "The bias of the line is taken off the means on this page; the readings below stand as they were before that.",
}
