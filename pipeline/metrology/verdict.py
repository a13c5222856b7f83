"""The verdict of a lot, from limits and support. Pure; every branch says why in words."""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = ["Evidence", "Verdict", "decide"]


_SUPPORT = {
    "supported": "The checks support it", "open": "The checks do not support it yet", "suspect": "The checks make it suspect",
    "unsupported": "No checks support it",
}  # fmt: skip
"""How the support of a lot is said."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What is known about a lot when it is judged.

    Parameters
    ----------
    limits_met
        ``in``, ``out``, ``undecided`` (guarded rule), or None where it cannot be said.
    support
        supported, open, suspect or unsupported; None for a lot without readings.
    support_reasons
        In words.
    limits_sentence
        What was compared with which limits, in words.
    missing
        Reasons for which the lot cannot be assessed (no limits, no reading, fewer parts than the plan, a reading
        without a value at the reference temperature).
    holds
        Reasons for which a person must look first (conflicting re-export, hardness result missing).
    hardness_out
        Parts whose hardness lies outside its own limits, in words.
    """

    limits_met: str | None
    support: str | None
    support_reasons: tuple[str, ...] = ()
    limits_sentence: str = ""
    missing: tuple[str, ...] = ()
    holds: tuple[str, ...] = ()
    hardness_out: tuple[str, ...] = field(default=())


@dataclass(frozen=True, slots=True)
class Verdict:
    """The verdict (accept, hold, reject, not_assessed) and its reasons, the deciding one first."""

    verdict: str
    reasons: tuple[str, ...]


def decide(evidence: Evidence) -> Verdict:
    """Decide on a lot.

    ======== ========= ============================================================
    limits   support   verdict
    ======== ========= ============================================================
    missing  any       not_assessed
    in       supported accept (hold, if a person must look first)
    in       other     hold
    undec.   any       hold
    out      supported reject (hold, if a person must look first; hardness out of limits softens nothing): a supported lot
                       has a passing run after it
    out      other     hold, until the meter was checked again
    ======== ========= ============================================================

    Parameters
    ----------
    evidence
        What is known.

    Raises
    ------
    ValueError
        If limits were judged but no support is given.
    """
    if evidence.missing or evidence.limits_met is None:
        return Verdict("not_assessed", evidence.missing or ("The limits could not be judged.",))
    if evidence.support is None:
        raise ValueError("a lot with readings needs its support")
    said = _SUPPORT[evidence.support]
    support = tuple(f"{said}: {reason}." for reason in evidence.support_reasons) or (f"{said}.",)
    limits = (evidence.limits_sentence,) if evidence.limits_sentence else ()
    holds = (*evidence.holds, *evidence.hardness_out)
    if evidence.limits_met == "undecided":
        return Verdict("hold", (*limits, *holds, *support))
    if evidence.support != "supported":
        if evidence.limits_met == "out":
            recheck = "Out of limits, but the meter must be checked again before the lot can be rejected."
            return Verdict("hold", (*limits, recheck, *support, *holds))
        return Verdict("hold", (*support, *holds, *limits))
    if evidence.limits_met == "out" and not evidence.holds:
        return Verdict("reject", (*limits, *evidence.hardness_out, *support))
    if holds:
        return Verdict("hold", (*holds, *limits, *support))
    return Verdict("accept", (*limits, *support))
