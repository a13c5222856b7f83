"""Words of the served pages: signing in, deciding, files handed in."""

from __future__ import annotations

__all__ = ["BUTTON", "CHANGED", "ENTRY", "FATE", "FIELD", "FORM", "HINT", "PAGE", "ROLE", "TOLD", "WILL"]

PAGE = {
    "kind": "At the bench", "sign_in": "Sign in", "me": "Your account", "decide": "Decide here", "look": "Look before you sign",
    "done": "Recorded", "nothing": "Nothing was recorded", "refused": "Not possible", "bar": "Your account",
    "sign": "Your signature", "will": "What this does", "event": "The event as it stands in the record",
    "pages": "Pages", "of": "About {name}", "bring": "Hand in a file", "brought": "What became of the file",
    "fates": "Lines by fate", "touched": "Lots and meters in it", "changed": "What it changed", "refused_lines": "Refused lines",
    "enter": "Readings by hand", "enter_check": "A check on a block",
    "enter_lot": "Readings of a lot", "far": "Is this so?", "layout": "A layout for this file", "layout_text": "The whole layout",
}  # fmt: skip
"""Headings and the like."""

BUTTON = {
    "sign_in": "Sign in", "sign_out": "Sign out", "look": "Go on", "sign": "Sign and record", "change": "Change",
    "password": "Change the password", "bring": "Hand in",
    "enter_check": "Enter a check", "enter_lot": "Enter a lot", "save": "Save", "forget": "Begin anew",
}  # fmt: skip

ENTRY = {
    "running": "{n} of {of} read: mean {mean}, standard deviation {s}.",
    "no_number": "{cell}: {value} is no number.", "is_far": "{cell}: {value} is far from the others. Read it again if it is a slip.",
    "is_out": "{cell}: {value} is outside.",
    "offline": "There is no connection. What you typed is kept here; send it again when the connection is back.",
}  # fmt: skip
"""What is said while readings are typed."""

CHANGED = {"said": "This page was written again since you opened it.", "show": "Show it as it is now"}
"""What is said above a served page that is not the newest."""

FATE = {
    "preamble": "before the table", "header": "header", "units": "units", "blank": "blank", "footer": "footer",
    "accepted": "accepted", "duplicate": "known already", "quarantined": "refused",
}  # fmt: skip
"""What became of a line."""

ROLE = {"reader": "reader", "technician": "technician", "metrologist": "metrologist", "supervisor": "supervisor"}

FORM = {
    "lot": "What was done about a lot", "event": "What was found on an event", "release": "Release or refuse",
    "signal": "What was found on a signal", "setting": "A meter was set", "hand-over": "A meter went to another site",
    "receipt": "A meter came from another site", "action": "Something was done to a meter",
    "exclusion": "Leave a line out", "inclusion": "Take a line in again", "baseline": "Limits of a meter",
    "process-baseline": "Limits of a process", "discard": "Discard refused lines", "replay": "Read refused lines again",
    "held": "Settle a held file", "layout": "Complete the layout of a held file", "hardness": "Hardness of a lot", "lot-data": "Data of a lot",
}  # fmt: skip

WILL = {
    "lot": "Records beside the verdict of lot {lot}: {decision}. The verdict stays as it is.",
    "event": "Records on event {event} {lot}: {decision}. Verdicts stay as they are.",
    "release": "Records as the last word on {lot} {event} {meter} {block} {at}: {decision}. The computed verdict stays beside it.",
    "signal": "Records on the signal of meter {meter} on block {block} {at}: {decision}. The limits stay as they are.",
    "setting": "Records that meter {meter} was set at {at}. A new baseline of its checks starts there.",
    "hand-over": "Records that meter {meter} was handed over to {to} at {at}. It ends here: nothing that is read later belongs to this site.",
    "receipt": "Records that meter {meter} was received from {sender} at {at}. A new baseline of its checks starts there.",
    "action": "Records that meter {meter} was {kind} {at}. A new run of checks starts there; the baseline stays.",
    "exclusion": "Leaves the readings of line {line} of {file} out of every figure. They stay in the record.",
    "inclusion": "Takes the readings of line {line} of {file} into the figures again.",
    "baseline": "Makes the checks of meter {meter} on block {block} the limits of control from now on.",
    "process-baseline": "Makes these subgroups the limits of the process {product} {line} {supplier} {material}.",
    "discard": "Marks refused lines as discarded: {lines} {file} {reason}. They stay in the record.",
    "replay": "Reads the refused lines again with the layouts as they are now, and stores what fits.",
    "held": "Marks the held file {file} as discarded. Its bytes stay in the archive.",
    "layout": "Keeps a layout for exports like {file} in the folder layouts, and loads the file with it.",
    "hardness": "Adds hardness {value} {scale} of lot {lot} {part} to the reference table, and takes it over.",
    "lot-data": "Adds the data of lot {lot} to the reference table, and takes them over.",
}  # fmt: skip
"""What a form does, before it does it."""

FIELD = {
    "name": "Name", "password": "Password", "new_password": "New password", "again": "New password once more",
    "to": "Site it went to", "sender": "Site it came from",
    "why": "Why", "lot": "Lot", "event": "Event", "meter": "Meter", "block": "Block", "at": "When",
    "decision": "Decision", "temperature": "Temperature of the block, °C", "kind": "What was done", "file": "File",
    "line": "Line", "start": "From", "end": "To", "product": "Product", "supplier": "Supplier", "material": "Material",
    "lines": "Numbers of lines", "reason": "Reason of the refusal", "part": "Part", "value": "Value", "scale": "Scale",
    "lower": "Lower limit", "upper": "Upper limit", "specification": "Specification", "heat": "Heat",
    "received_on": "Received on", "shipped_on": "Shipped on", "customer": "Customer", "purchase_order": "Purchase order",
    "thickness_mm": "Thickness, mm", "smallest_flat_mm": "Smallest flat, mm", "valid_from": "Holds from",
    "signed_by": "Signed by", "signed_from": "From", "signed_at": "At", "number": "Event", "hash": "Hash",
    "recorded": "Recorded", "how": "How", "export": "Export", "unit": "Unit of the meter", "parts": "Parts", "spots": "Spots of each part",
    "spot": "Spot", "reading_n": "Reading {n}", "cell": "Part {part}, spot {spot}", "temperature_metal": "Temperature of the metal, °C",
    "temperature_state": "The readings are", "remark": "Remark", "mean": "Mean", "standard_deviation": "Standard deviation",
    "readings_entered": "Readings entered", "folder": "Folder of the inbox", "readings": "Readings stored",
    "layout_name": "Name of the layout", "sentence": "What was wrong", "original": "As it stands in the file",
}  # fmt: skip

HINT = {
    "why": "One sentence that will still be understood in a year.",
    "event": "As the page of the event names it.",
    "block": "The block it was set on, or was checked on.",
    "lines": "From the list of refused lines, with blanks between; or a file, or a reason.",
    "layout_name": "Letters, digits, - and _; left empty, it is named after the file.",
    "valid_from": "Needed where the lot stands in the table already: from when the new row holds.",
    "export": "An export as the meter or its program wrote it; drop it here, or choose it. Larger ones go into the inbox itself.",
    "again": "So that a slip of the finger locks nobody out.",
    "new_password": "12 characters or more; several words make a good one.",
    "password": "To decide you sign each time: the password again, now.",
}  # fmt: skip

TOLD = {
    "needed": "{field}: fill this in.",
    "choice": "{field}: {value} is not one of those that are offered.",
    "number": "{field}: {value} is no number.",
    "long": "{field}: too long, at most {most} characters.",
    "control": "{field}: holds characters that cannot be seen. Type it anew.",
    "role": "A {role} does not sign this; {roles} may.",
    "who": "Give name and password of an account with the question (HTTP Basic), or sign in first.",
    "wrong": "Name and password do not fit. Nothing was recorded.",
    "wait": "Too many wrong passwords. Wait {seconds} seconds and try again.",
    "again": "The two new passwords differ.",
    "stale": "This form is not from your present visit. Open it again and send it once more.",
    "gone": "There is nothing at this address.",
    "nothing_here": "Your role decides nothing here. Other roles may: ask one of them.",
    "busy": "The record is being written. Nothing was lost: try again in some seconds.",
    "later": "This is recorded. What follows from it could not be computed now; the next load or rendering does that.",
    "optional": "may be left empty",
    "signed": "{name}, {role}",
    "sign": "Signing as {name}, {role}, at {address}. The record keeps your name, the time, and the meaning above.",
    "pages_follow": "The pages follow where the service watches (annealog watch), else with the next annealog render.",
    "caution": "A decision here releases nothing by itself: the governing specification, local rules and the people responsible do.",
    "internal": "Something went wrong in the program. Look into the record before you send this again, and tell whoever keeps it.",
    "recorded": "What stands below is recorded. What should have followed failed:",
    "lies": "The file lies in the inbox as {name}, and the next load says what became of it. {why}",
    "edited": "reference/{table}.csv was edited and not taken over yet, and your signature would be taken for that, too. Nothing was "
    "recorded. Once a load has taken it over (annealog load, or the service), add the row.",
    "large": "Too large: at most {most} MB are taken.",
    "nobody": "Sign in first.",
    "listeners": "Too many windows wait for changes already. This page stays as it is; fetch it again to see what is new.",
    "fast": "Too many requests from one place. Wait a little.",
    "sheet": "{what}, read with {meter} in {unit}", "cells": "At most {most} readings stand on one page; enter the lot in several.",
    "no_reading": "Nothing was entered yet.", "far": "{cell}: {value} {unit} is far from the others. Save it only if it was read so.",
    "block_span": "The check passes from {low} to {high} {unit}, at the reference temperature.",
    "lot_span": "The limits are {low} to {high} {unit}, at the reference temperature.",
    "kept": "These readings were typed before and not taken yet. They were kept in this browser.",
    "will_save": "Saves a sheet into the inbox, read by {name}, and loads it. Every report says that these readings were taken by hand.",
    "sent_before": "This entry was taken before, with other values. Nothing was saved now; enter what is new on a new page.",
    "no_file": "Choose a file that holds something.", "no_name": "The file needs a name of letters or digits.",
    "brought": "handed in by the browser", "more_lines": "and {count} lines more: annealog quarantine list",
    "layout": "No layout fits, so the file is held. This one is proposed; nothing is ever assumed: whoever knows the meter answers what "
    "is open (here, or by annealog layout suggest FILE --ask), and then the file is loaded.",
    "layout_reads": "Layout {name}, tried on the whole file: {readings} readings; lines: {lines}.",
    "layout_kept": "Layout {name} is kept and will be used for every export like this one.",
    "accounts": "Deciding here needs an account: annealog account add NAME --role ROLE.",
    "password": "The password of {name} was changed. Everybody who was signed in with it is signed out.",
}  # fmt: skip
