"""Texts of the letter to a supplier, to be edited before it is sent."""

from __future__ import annotations

__all__ = ["ASKED", "FOUND", "FRAME"]

FRAME = {
    "head": "{works}\n{address}\n\nTo: {supplier}\nDate: ____________\n\nElectrical conductivity of your deliveries{span}\n",
    "span": ", {first} to {last}",
    "opening": "We measured {lots} that you delivered, at {reference} °C: {accepted} accepted, {held} on hold, {rejected} rejected, {not_assessed} not assessed.",
    "ours_good": "Each of them was read between two checks of the meter on certified blocks that passed.",
    "ours_open": "Our own checks do not support {lots} of these ({names}). We look at our meters first; what is said of them may change.",
    "found": "What we found",
    "asked": "What we ask",
    "attached": "Our report on your deliveries and the report of each lot are attached. They name every reading, the meter, its checks and the "
    "certificates of the blocks.",
    "decides": "The governing specification decides what may be used. Conductivity is one piece of evidence, and this letter claims no "
    "accreditation.",
    "end": "Yours sincerely\n\n____________\n{works}\n",
}

FOUND = {
    "since": "{material}: the level left its limits on {day}, first with lot {lot}, and has not come back.",
    "changed": "{material}: the level changed by {shift} {unit} between lot {before} ({before_day}) and lot {after} ({day}).",
    "drift": "{material}: the level moves by {slope} {unit} in 30 days ({low} to {high}).",
    "lots": "{material}: {lots} not accepted: {names}.",
    "named": "{lot} ({verdict})",
    "capability": "{material}: Ppk is {ppk} ({low} to {high}); we ask for {asked}.",
    "certificates": "{material}: our values lie {difference} {unit} from your certificates on average ({low} to {high}, {pairs}).",
    "beyond": "{material}: our value and your certificate differ by more than both uncertainties allow for: {names}.",
    "nothing": "Nothing that needs an answer: the level is where it was.",
    "few": "{material}: there are too few lots to say whether its level changed.",
}

ASKED = {
    "since": "What changed in {material} about {day}: melt, treatment, supply, or your way of measuring?",
    "rejected": "What shall become of the rejected lots: {names}.",
    "held": "Please deliver no more of {material} of the lots on hold until we have told you how they were decided: {names}.",
    "certificates": "How the conductivity on your certificates is measured: meter, reference blocks, temperature.",
    "capability": "How you will bring the variation of {material} within its limits, and by when.",
    "nothing": "Nothing. Please go on as before.",
}
