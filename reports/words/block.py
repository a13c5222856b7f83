"""Texts of the block page, in English. Braces name what is put in; it is escaped where it enters the page."""

from __future__ import annotations

__all__ = ["BASIS", "COLUMN", "FIGURE", "FRAGMENT", "KIND", "POINT", "SECTION", "SHAPE", "STATE", "STEP", "TABLE"]

STATE = {
    "steady": "Steady", "moved": "Moved", "unclear": "Unclear", "overdue": "Overdue", "not_assessed": "Not assessed",
}  # fmt: skip

KIND = {"block": "block {name}", "meter": "meter {name}"}
SHAPE = {"step": "step", "ramp": "slowly, from then on"}
BASIS = {
    "checks": "checks",
    "same_parts": "the same parts",
    "other_parts": "different parts of the lot",
    "lots": "lots",
}

SECTION = {
    "certificates": "Certificates", "meters": "Meters on this block", "agreement": "Agreement of the meters",
    "movements": "Block or meter: what moved",
}  # fmt: skip

STEP = {
    "moved": "Take the block out of use and have it certified anew. Until then a check on it says less of a meter than of the block.",
    "events": "Look at the checks that failed on it since: the meter may have been right.",
    "unclear": "Check it together with the other blocks on every meter, several days in a row: the differences within one visit tell "
    "a block that moved from a meter that did.",
    "overdue": "Send the block to be certified, or let the person in charge of measuring equipment extend the date.",
    "not_assessed": "Enter its certificate in reference/blocks.csv and check it together with other blocks.",
    "steady": "Nothing. Check it together with its neighbours as before.",
    "meters": "Look at {pairs}: they differ by more than both claim.",
}

POINT = {
    "certificate": "Certificate {certificate}: {value} {unit} ± {u} (k = {k}), due {due}.",
    "no_due": "not stated",
    "step": "The certificate that holds from {day} changed the value by {step} {unit}{e_n}; checks from that day on are judged by "
    "it, earlier ones by the one before.",
    "e_n": " (Eₙ = {value})",
    "meters": "{n} meters checked it; mean bias since their last setting from {low} to {high} {unit}.",
    "one_meter": "One meter checked it; mean bias since its last setting {low} {unit}.",
    "neighbours": "Checked together with {names}, in {visits} visits.",
    "alone": "Never checked together with another block.",
    "moved": "{who} moved by {size} ± {error} {unit} ({shape}, {day}): F(1, {df}) = {f}, {p}; {ratio}.",
    "ratio": "{times} times likelier than that {rival} moved",
    "ratio_none": "nothing can be set against it",
}

COLUMN = {
    "certificate": "Certificate", "file": "Digital certificate, SHA-256", "certified_on": "Certified on", "from": "Holds from", "value": "Certified value", "u": "U", "k": "k",
    "due": "Due", "step": "Step", "e_n": "Eₙ", "checks": "Checks", "late": "Of these overdue", "since": "Last setting", "s": "s of check means",
    "claim": "u by accuracy", "pair": "Difference", "difference": "First − second", "interval": "95 % interval", "basis": "Compared on",
    "who": "What moved", "from_day": "From", "size": "By", "error": "Standard error", "f": "F(1, df)", "p": "p", "rival": "Likeliest other",
    "percent": "From the robust mean", "z": "z", "h": "h (limit)", "k_mandel": "k (limit)", "cochran": "C (limit)",
    "times": "Times likelier", "decided": "Clear", "remark": "Remark",
}  # fmt: skip

TABLE = {
    "certificates": "Certificates of the block. The first holds from the beginning; each later one from its own date.",
    "meters": "What each meter says of the block since its last setting, in order of name.",
    "differences": "Differences between meters on this block. What both share, the certificate, drops out and is left out of the "
    "uncertainty. The interval speaks of repeating alone (Welch); Eₙ compares with what both meters claim (ISO 13528, k = 2): "
    "beyond 1 in size they do not agree.",
    "comparison": "Meters on one block together: percentage difference and z score from the robust mean (Algorithm A, ISO 13528; |z| from 3 on "
    "calls for action), Mandel's h and k and Cochran's C with their limits at 1 % (ISO 5725-2; C by 't Lam where numbers of checks "
    "differ). A meter beyond a limit is marked; it changes no state.",
    "lot_differences": "Differences between the meters that read the lot. Eₙ compares with what both meters claim (ISO 13528, k = 2); "
    "the coefficient of temperature, which both share, drops out.",
    "movements": "Blocks and meters of this set that moved, the most significant first. A block that moves shows in the differences "
    "within a visit, on every meter; a meter that moves takes all blocks along. Clear means at least ten times likelier than "
    "any other, and a block seen by two meters, with three visits on either side. p is multiplied by the number of changes that were tried.",
    "checks": "Checks on the block, by meter and time.",
}

FIGURE = {
    "bias": "Bias of every meter on the block over time.",
    "key": "{marks}. Filled diamond: outside the tolerance, whichever meter. Dash and dot: tolerance. Upright lines: a new certificate, and where the block moved.",
    "mark": "{shape}: {meter}",
    "other": "{shape}: {n} more meters",
    "none": "There is no chart: no check on this block has a bias.",
    "certificate": "certificate {step}", "moved": "moved",
}  # fmt: skip

FRAGMENT = {
    "title": "Block report", "material": "material {name}", "none": "None.", "no_movement": "Nothing in this set moved.",
    "first": "the beginning", "pair": "{first} − {second}", "beyond": "beyond 1", "yes": "yes", "no": "no",
    "with_limit": "{value} ({limit})", "not_compared": "{block}: left empty, {reason}.",
}  # fmt: skip
