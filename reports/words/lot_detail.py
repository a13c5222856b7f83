"""Texts of the sections of a lot page that a critical reader asks for: capability, variation, outliers, plan, materials.

Braces name what is put in. What is put in is escaped later, where it enters the page.
"""

from __future__ import annotations

__all__ = ["COLUMN", "FIGURE", "FIRST_STEP", "HEADING", "INDEX", "LEVEL", "ORDER", "PLAN", "SAY", "STEP", "TABLE"]

HEADING = {
    "capability": "Capability",
    "components": "Where the variation is",
    "suspects": "Outlying values",
    "plan": "Plan by variables",
    "material": "Which material is this?",
}

LEVEL = {
    "lot": "between lots", "part": "between parts of the lot", "spot": "between spots of a part", "reading": "between readings of a spot",
}  # fmt: skip
"""Levels of variation, after the name of the level in the results."""

ORDER = {
    "beyond": "part {part} lies beyond the limits of the others",
    "moving_range": "part {part} and the one before it are too far apart",
    "run": "{length} parts in a row, to part {part}, lie on one side of the mean",
    "trend": "{length} parts in a row, to part {part}, all rise or all fall",
    "neighbours": "neighbouring parts are more alike than the lot as a whole, so the level moves",
}
"""Signals in the order of parts that decide, after their rule."""

SAY = {
    "stable": "Stable in the order of measuring: {n} parts show none of five signals (a part apart, a jump, a long run, a trend, "
    "neighbours alike), each of which chance gives in at most 2 of 100 stable lots.",
    "unstable": "Not stable in the order of measuring: {signals}. Cp and Cpk speak of a stable process, so they are not stated here; "
    "the data beside this page holds the figures.",
    "not_judged": "Whether the process is stable cannot be said: {reason}.",
    "patterns": "Patterns of ISO 7870-2 in the order of parts: {patterns}. They alone call no lot unstable, as chance gives one in "
    "every sixth stable lot of 25 parts.",
    "alike": "Neighbours depend on each other (autocorrelation {r}, beyond ±{bound}): the moving range does not show the whole "
    "variation, and the intervals of Cp, Cpk, Pp and Ppk do not hold.",
    "independent": "Neighbours do not depend on each other as far as {n} parts show (autocorrelation {r}, within ±{bound}).",
    "normal": "The part means can be normal (Anderson-Darling A* = {a}, {p}, n = {n}).",
    "not_normal": "The part means are not normal (Anderson-Darling A* = {a}, {p}, n = {n}): indices, intervals and the expected "
    "fraction from mean and standard deviation do not hold.",
    "normality_unknown": "Whether the part means are normal was not tested: {reason}.",
    "quantile": "Indices from quantiles (ISO 22514-2): {definition}.",
    "no_quantile": "Indices from quantiles are not stated: {reason}.",
    "limiting": "The {side} limit is the nearer one.",
    "off_centre": " The mean stands off the middle of the limits, which takes {share} off the index; the rest is spread.",
    "beyond": " The mean lies on it or beyond, so no index speaks for the lot whatever the spread.",
    "centred": " The mean stands in the middle of the limits; what limits the index is spread.",
    "dominant": "What spreads is mostly the variation {level} ({share} of the variance of one reading).",
    "few": "With {n} subgroups, fewer than 25, every figure is indicative: the width of its interval says more than the figure.",
    "outside": "Expected beyond the limits if the part means are normal: {total} (95 % interval {low} to {high}{how}); counted: {counted} "
    "of {n} (95 % interval {seen_low} to {seen_high}).",
    "outside_counted": "Counted beyond the limits: {counted} of {n} part means (95 % interval {seen_low} to {seen_high}). No fraction is "
    "expected from mean and standard deviation: {reason}.",
    "mean_interval": "The mean of all parts of such a lot lies between {low} and {high} {unit} (t interval, 95 %, n = {n}). It counts the "
    "scatter of the parts, not what the meter may be off: that is the uncertainty's.",
    "tolerance_both": "At least 95 % of such parts lie between {low} and {high} {unit}, with 95 % confidence (normal tolerance interval, "
    "ISO 16269-6, n = {n}).",
    "tolerance_lower": "At least 95 % of such parts lie above {low} {unit}, with 95 % confidence (normal tolerance interval, ISO 16269-6, "
    "n = {n}).",
    "tolerance_upper": "At least 95 % of such parts lie below {high} {unit}, with 95 % confidence (normal tolerance interval, ISO 16269-6, "
    "n = {n}).",
    "no_mean_interval": "An interval of the mean is not stated: {reason}.",
    "no_tolerance": "A tolerance interval of the parts is not stated: {reason}.",
    "about_target": "overall standard deviation about the target, {target} {unit}",
    "bounds": ", on the safe side for two limits",
    "not_normal_short": "the part means are not normal",
    "not_stated": "not stated: {reason}",
    "no_capability": "No capability is stated: {reason}. The data beside this page holds the figures.", "rejected": "the lot is rejected",
    "not_normal_point": " The part means are not normal, so this interval does not hold.",
    "mixed": "The part means fall into two groups: there is no one process that Cp and Cpk could speak of, so they are not stated here; the "
    "data beside this page holds the figures.",
    "mixed_mean": "The mean of a lot of two kinds says nothing of either: look at the parts.",
    "overall": "overall standard deviation",
    "of_quantiles": "quantiles",
    "estimator": "within subgroups, {name}",
    "below_millionth": "below 0.0001 %",
    "percent": "{value} %",
    "components": "{share} of the variance of one reading lies {level}.",
    "soft": "Spots of one part differ more than repeated readings do (F = {f}, {p}): look for soft spots or uneven heat treatment.",
    "uneven": "Spots of one part differ more than repeated readings do (F = {f}, {p}), but by less than calls for a look.",
    "even": "Spots of one part differ no more than repeated readings do (F = {f}, {p}).",
    "negative": "The estimate {level} is negative ({raw}), which means that nothing was found there beyond chance; it counts as zero.",
    "lots": "The variation between lots rests on {lots} lots of the same product, supplier and specification: this one and those before it.",
    "one_lot": "There is no earlier lot of the same product, supplier and specification, so nothing is known of the variation between lots.",
    "unbalanced": "Parts, spots or readings are not equal in number: intervals are approximate.",
    "no_components": "No spot has a value.",
    "no_suspects": "No value is outlying.",
    "suspects": "The tests point at {n}. They are shown, and every one stays in every figure: only a person leaves a reading out, with a "
    "reason (annealog record exclusion). In normal lots each level gets a pointer by chance in about 5 of 100.",
    "hidden": "The generalised test counts up to its last step above the critical value: a value whose statistic lies below it was hidden "
    "by the others.",
    "tested": "Tested, two-sided at {significance} a level: part means ({part}), spots against their part ({spot}), readings against "
    "their spot ({reading}). Part means by Grubbs and by the generalised test for many outliers (Rosner), the others by the generalised test. Where it points at two "
    "part means or more, the test of Tietjen and Moore says whether they stand out together, their number taken from it.",
    "accepted": "The plan accepts the lot: {rule}.", "not_accepted": "The plan does not accept the lot: {rule}.",
    "plan_unknown": "The plan gives no result: {reason}.",
    "plan_quality": "This plan of {n} parts and k = {k} accepts lots with {p95} beyond a limit in 95 of 100 cases, with {p50} in 50 and "
    "with {p10} in 10.",
    "no_ranges": "Materials were not compared: {reason}.",
    "fits": "Ranges of the site's table that fit the lot's mean, {value} {unit} (standard uncertainty {u} {unit}): {fitting} of {n}.",
    "none_fits": "No range of the site's table fits the lot's mean, {value} {unit}; the nearest, {name}, is {distance} {unit} away.",
    "declared_fits": "The lot is entered as {declared}, which fits.",
    "declared_out": "The lot is entered as {declared}, which does not fit: find out what it is before anything else.",
    "declared_unknown": "The lot is entered as {declared}, of which the table has no range.",
    "model": "Model: within a range every value is as likely as another, and the measured value is normal about the true one. A "
    "probability holds only if one of the listed ranges is the true one; a material that is not listed is not considered.",
    "caution": "Ranges overlap: conductivity rules materials out and proves none. Hardness, chemistry and the governing specification decide.",
    "examples": "Ranges marked as example are made up and say nothing of real alloys.",
    "example": "example",
    "groups": "The part means fall into two groups, {distance} {unit} apart ({separation} standard deviations within a group, {p}): "
    "{lower} around {lower_mean} and {upper} around {upper_mean} {unit}. Parts of the {which} group: {parts}.",
    "groups_meters": " Different meters read the two groups, so the meters may be what differs: check them on one block.",
    "groups_sort": " Set the lot apart, sort the parts, and measure hardness on some of each group.",
    "no_groups": "Nothing says that the part means are of more than one group ({p}).",
    "maybe_groups": "The part means may be of two groups, {distance} {unit} apart ({separation} standard deviations within a group): "
    "{lower} around {lower_mean} and {upper} around {upper_mean} {unit}. Lots of one kind show that by chance, too ({p}): look at the "
    "parts, and measure more of them if it matters.",
    "groups_unknown": "Groups among the parts were not looked for: {reason}.",
    "smaller": "smaller", "other": "other",
    "parts_alike": "Every part is likeliest {name}, as the lot is.",
    "to_one": "{odds} to 1", "one_to": "1 to {odds}", "most_odds": "more than 10,000",
    "no_range": "none fits",
    "which": "{material}, {temper}",
}  # fmt: skip

COLUMN = {
    "index": "Index", "value": "Value", "interval": "95 % interval", "from": "From", "degrees": "Degrees of freedom",
    "parts": "Parts", "level": "Level", "variance": "Variance", "deviation": "Standard deviation", "share": "Share inside the lot",
    "f": "F", "p": "p", "what": "What", "from_mean": "From the mean of the others", "statistic": "Statistic", "critical": "Critical value",
    "tests": "Test", "place": "File and line", "nonconforming": "Beyond the limit", "accepted": "Chance of acceptance",
    "quantity": "Figure", "material": "Material", "temper": "Temper", "range": "Range", "fits": "Fits",
    "distance": "Outside by", "probability": "Probability", "odds": "Odds", "source": "Source", "part": "Part", "mean": "Mean",
    "fitting": "Ranges that fit", "likely": "Likeliest", "number": "Number of values",
}  # fmt: skip

TABLE = {
    "capability": "Indices of the part means against the limits, with what each rests on.",
    "components": "Components of variance inside the lot, and between lots where earlier ones are known. Intervals are of the variance, by {method}.",
    "suspects": "Values that a test points at.",
    "plan": "Acceptance by variables, k method, standard deviation unknown (ISO 3951).",
    "curve": "Points of the operating curve.",
    "material": "Ranges of the site's table in order of probability, against the mean of the lot.",
    "material_none": "Ranges of the site's table against the mean of the lot: those of the material it is entered as, and the nearest.",
    "material_rest": "{n} more ranges that do not fit are left out.",
    "material_parts": "Parts with the likeliest range of each.",
}

STEP = {
    "then": "Only then complete what else the specification asks for: the limits are met, and the checks of the meter support that.",
}

FIRST_STEP = {
    "identify": "Find out what the lot is: its conductivity fits no range of the material it is entered as. Look at marking and papers, "
    "measure hardness, and check that the right range stands in the table.",
    "sort": "Sort the parts: part means fall into two groups, as those of mixed material do. Measure hardness on parts of both, and "
    "find out what each is before any of them is used.",
    "thickness": "The metal is too thin for this frequency (see the flags): measure at the frequency named there, on a stack, or with "
    "the site's correction. Until then the values contain what lies behind the metal.",
    "correction": "A correction for geometry could not be applied (see the flags): put the table right and load again.",
    "temperature": "Look at the flag on the temperature sensor before the lot leaves: it failed its check, and the flag says by "
    "how much that moves the values. Measure again with a good sensor where they come near a limit.",
    "spots": "Look at the parts for soft spots or uneven heat treatment: the flag names the part whose spots lie furthest apart.",
}
"""What to do about a condition (`schemas.conditions`), by its name."""

INDEX = {
    "cp": "Cp",
    "cpk": "Cpk",
    "pp": "Pp",
    "ppk": "Ppk",
    "cpm": "Cpm",
    "quantile_pp": "Pp from quantiles",
    "quantile_ppk": "Ppk from quantiles",
}

PLAN = {
    "parts": "Parts measured", "plan_parts": "Parts of the plan", "k": "k", "quality_lower": "Mean above the lower limit, in standard deviations",
    "quality_upper": "Mean below the upper limit, in standard deviations", "nonconforming": "Estimated beyond the limits",
    "most_nonconforming": "Permitted beyond the limits (M)",
}  # fmt: skip

FIGURE = {
    "map": "Spot means as differences from the middle one of their part (median), in {unit}: one column a part, one row a spot.",
    "map_key": "Arrow: off by more than 3 standard deviations of the difference of two spot means. Plus or minus: off by more than one, above or below. The darker, the further; red below, blue above.",
    "map_thinned": "{shown} of {total} parts are drawn, every one with a marked spot among them.",
    "positions": "Spots at their places on the part, with the mean difference from the median of the part over all parts, in {unit}.",
    "curve": "Chance that the plan of {n} parts and k = {k} accepts a lot, one limit, by the fraction truly beyond it.",
    "curve_key": "Circles: 95, 50 and 10 percent chance.",
    "curve_x": "Truly beyond the limit, percent", "curve_y": "Chance of acceptance, percent", "at": "{chance} % at {value} %",
    "part": "part", "spot": "spot",
}  # fmt: skip
