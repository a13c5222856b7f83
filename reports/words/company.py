"""Texts of the company's pages, in English. Braces name what is put in; it is escaped where it enters the page."""

from __future__ import annotations

__all__ = [
    "COLUMN",
    "FIGURE",
    "HEAD",
    "HEADING",
    "NAMES",
    "POINT",
    "SECTION",
    "SITE_STATE",
    "STATE",
    "STEP",
    "TABLE",
    "TEXT",
    "WHAT",
]

HEAD = {
    "supplier": "Supplier at all plants", "process": "Process at all plants", "block": "Block that travels", "meter": "Meter that travels",
    "review": "Review of the company", "index": "Company",
}  # fmt: skip
HEADING = {
    "supplier": "Supplier {name}", "process": "Process {name}", "block": "Block {name}", "meter": "Meter {name}", "review": "The company in {month}",
}  # fmt: skip
WHAT = {
    "index": "{sites}, as their packages tell", "plants": "{lots} at {sites}", "travelled": "{checks} by {meters} at {sites}",
    "review": "{sites}; revision {revision}, which follows from the heads below, the company's tables of names and the program",
}  # fmt: skip
SITE_STATE = {"open": "open", "held": "held", "closed": "closed", "fork": "two histories"}
STATE = {"differs": "Differs", "agrees": "Agrees", "not_assessed": "Not assessed"}

STEP = {
    "supplier": "Let the plants named read the same parts before the supplier is told: the difference may be theirs. Their meters are "
    "compared by a block that travels (annealog centre block).",
    "process": "Find out whether parts or meters differ: let the plants named read the same parts.",
    "block": "Check the block again with both meters side by side. The certificate and its laboratory decide, not the majority.",
    "meter": "Settle what does not fit of a hand-over with both sites; look at the setting after the move and at the blocks of both. Evidence of the old site supports no lot at the new one.",
    "none": "Nothing.",
    "more": "Wait until there is more to compare.",
}

SECTION = {
    "plants": "Plants", "stays": "Where it was", "differences": "Who disagrees by how much", "together": "All meters together",
    "sites": "Sites and their heads", "refused": "What is refused, and what to do", "meters": "Meters out of control", "events": "Open events", "rejected": "Lots rejected",
    "suppliers": "Suppliers that differ", "blocks": "Blocks and meters that disagree", "names": "Names that nobody mapped",
    "two_sites": "Instruments at two sites at once", "hand_overs": "Meters handed over", "revisions": "Earlier revisions", "waits": "What waits",
}  # fmt: skip

COLUMN = {
    "site": "Site", "sites": "Sites", "lots": "Lots", "held": "On hold", "rejected": "Rejected", "suspect": "Left out: read beside a failed check",
    "suspended": "Read on a meter suspended now",
    "mean": "Mean of lot means", "s": "s of lot means", "own": "u of its meters", "h": "h (limit)", "meter": "Meter", "block": "Block",
    "instrument": "Maker and serial number", "frequency": "Frequency", "from_to": "Checks from, to", "checks": "Checks", "check_mean": "Mean",
    "bias": "Bias", "s_checks": "s of check means", "claim": "u by accuracy", "also_at": "Copies at", "package": "Package", "hash": "Hash",
    "last_reading": "Last reading", "made": "Package made", "program": "Program", "remark": "Remark", "state": "State", "reason": "Reason",
    "events": "Open", "lot": "Lot", "supplier": "Supplier", "what": "What", "who": "Which", "said": "What the site states", "name": "Name",
    "giver": "From", "receiver": "To", "handed": "Handed over", "received": "Received", "why": "Why", "differ": "What does not fit",
    "first": "First", "second": "Second", "at_once": "At both from, to",
}  # fmt: skip

TABLE = {
    "plants": "{material}: what each plant read. A plant needs {least} lots that can be relied on; h is Mandel's, with its limit at 1 % (ISO 5725-2).",
    "plant_differences": "{material}: differences between plants. The interval speaks of lots alone (Welch); Eₙ compares with what the "
    "meters of both plants leave as well (ISO 13528, k = 2): beyond 1 in size they do not agree.",
    "stays": "Checks at each site since the meter's last setting there.",
    "meter_differences": "Differences of bias between sites. Eₙ compares with what the meter claims at both and, on two blocks, with what "
    "both certificates leave (ISO 13528, k = 2): beyond 1 in size they do not agree.",
    "block_differences": "Differences between meters of different sites. The certificate, which they share, drops out. Eₙ compares with what "
    "both meters claim (ISO 13528, k = 2): beyond 1 in size they do not agree.",
    "index_sites": "Each site as the register has it: the package that was let in last, how far its readings go, and what waits.",
    "index_supplier": "Suppliers whose lots two sites and more have read.",
    "index_process": "Products that two sites and more make.",
    "index_block": "Reference blocks that two sites and more have checked meters on.",
    "index_meter": "Meters that two sites and more have had. Those that differ have a page; of another one: annealog centre meter SERIAL.",
    "sites": "The last package of each site, and how far its readings go.",
    "meters": "As each site's last package says.",
    "rejected": "Rejected by their sites in the month. The site decides; the company compares.",
    "differ": "What lies apart, over all that was read up to the end of the month.",
    "names": "Names of sites that no table of the company explains; they are joined with nothing, however alike they look.",
    "hand_overs": "What the giver and the receiver recorded (annealog record hand-over, record receipt), held against each other, against the "
    "readings and against the company's table of meters.",
    "two_sites": "The company's table of meters places one instrument at two sites. It is told, not resolved: correct the table.",
}

POINT = {
    "level": "{material}: mean over plants {mean} MS/m, each plant counted once{interval}.",
    "interval": " (95 % interval {low} to {high})",
    "spread": "{material}: levels of plants scatter by s = {between} MS/m, lots of one plant by s = {within} MS/m.",
    "not_said": "{material}: {reason}.",
    "readings": "{n} readings of this instrument, each counted once.",
    "copies": "{n} of them lie at {site}, too.",
}

FIGURE = {
    "level_axis": "Mean of lot means, MS/m", "mean": "mean {value}",
    "level": "{material}: level of each plant.",
    "level_key": "Thick: 95 % interval of the mean, of its lots alone. Thin, with ends: with what its meters leave (k = 2), as Eₙ takes it. Circle: agrees "
    "with each other plant. Open diamond: Eₙ beyond 1 against one. Dashes and band: mean over plants and its 95 % interval.",
    "furthest": "{shown} of {total} are drawn, those furthest out.",
    "e_n_axis": "Eₙ of the row against each of another site", "e_n": "Who disagrees with whom.", "against": "{first} against {second}",
    "e_n_key": "A mark for each of another site that the row is compared with: to the right it reads more. Circle: the two agree. Open diamond, "
    "beyond the dashes at ±1: they do not. A row whose marks all lie beyond on one side stands apart; one mark alone may be the other one's doing.",
}  # fmt: skip

TEXT = {
    "sites_wait": "Sites that wait for somebody: {n} of {all}.",
    "one_differs": "{what} differs.",
    "silent_for": "silent for {h} h",
    "gap": "package {n} is missing",
    "refused": "{n} refused",
    "clock": "clock {minutes} min",
    "none_shared": "None that two sites and more have to do with.",
    "no_review": "None yet: annealog centre review 2026-06.",
    "review": "Review of {month}, revision {revision}: {n} waiting",
    "none": "None.",
    "sites": "{n} sites",
    "one_site": "1 site",
    "silent": "silent",
    "other_version": "runs another version than {program}",
    "waits": "{n} waiting",
    "calm": "Nothing waits",
    "not_reviewed": "Not reviewed",
    "lots": "Lots of the month: {accept} accepted, {hold} on hold, {reject} rejected, {not_assessed} not assessed.",
    "copies": "Checks and lots that lay at two sites, and count once: {n}.",
    "sites_odd": "Sites that fell silent or run another version: {n} of {all}.",
    "meters_out": "{meters} suspended or overdue; {events} open.",
    "differ": "Between sites differ: suppliers {suppliers}, blocks {blocks}, meters {meters}.",
    "unmapped": "Names that are not mapped: {n}; instruments at two sites at once: {twice}; hand-overs that do not fit: {moved}.",
    "earlier": "{revision}: since then {what}.",
    "first": "None: this is the first.",
    "frequency": "{f} kHz",
    "more": "and {n} more",
    "pairs": "{shown} of {total} pairs are shown, those furthest apart; JSON has all.",
}

NAMES = {
    "meters": "meter", "suppliers": "supplier", "materials": "material", "specifications": "specification", "products": "product", "blocks": "block",
}  # fmt: skip
