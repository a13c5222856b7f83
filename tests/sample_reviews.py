"""Monthly reviews for tests of the reports. Invented numbers."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

from sample_texts import DAY, provenance, text_or_hostile

from schemas.page import Decision, PageLink
from schemas.review import (
    ReviewAction,
    ReviewAgreement,
    ReviewBlock,
    ReviewBudget,
    ReviewChain,
    ReviewDue,
    ReviewEvent,
    ReviewFiles,
    ReviewLot,
    ReviewMeter,
    ReviewMonth,
    ReviewPage,
    ReviewResult,
    ReviewSignal,
)

__all__ = ["review_page", "review_pages"]

MONTHS = ("2025-10", "2025-11", "2025-12", "2026-01", "2026-02", "2026-03")
END = DAY + timedelta(days=28)


def review_page(*, hostile: bool = False, many: int = 1) -> ReviewPage:
    """Return a month with something in every part; `many` times as much of it."""

    def named(plain: str, place: int) -> str:
        return text_or_hostile(hostile, plain, place)

    said = Decision(END, named("Ada Lund", 1), "re-measured", named("the block was dirty", 2))
    covered, waiting = (
        ReviewEvent(
            event=named(f"M{n}/2026-03-0{n}", n), name=f"M{n}_20260302T110010Z_SIGNAL", title=named(f"M{n}, signal of {n} March", 3),
            kind="signal", state="open", meter=named(f"M{n}", n), fired_at=DAY, last_at=DAY, sentence=named("2 checks on B1 failed.", 4),
            lots=6, undecided=undecided, decisions=(),
        )
        for n, undecided in ((1, ()), (2, ("L-1001", "L-1002")))
    )  # fmt: skip
    blocks = tuple(
        ReviewBlock(
            meter=named(f"M{n}", n), block=named(f"B{n}", n + 5), probe=None, frequency_khz=None, checks=checks, failed=0, bias=bias,
            bias_interval=interval, standard_deviation=0.05, tolerance=0.29, slope_per_30_days=0.01, interval=(-0.01, 0.03),
            leaves_tolerance_on=END if n == 1 else None, no_forecast_reason=None if n == 1 else "the interval of the slope includes zero",
        )
        for n, checks, bias, interval in ((1, 12, 0.31, (0.28, 0.34)), (2, 3, -0.05, (-0.17, 0.07)), (3, 2, 0.1, None)) * many
    )  # fmt: skip
    long = "the specification asks for a hardness result, and there is none; " * 6
    result = ReviewResult(
        month=MONTHS[-1], start=DAY - timedelta(days=1), end=END, over=True, as_of=END, unit="MS/m", readings=3585,
        lots={"accept": 11, "hold": 5, "reject": 1, "not_assessed": 0},
        actions=tuple(ReviewAction("lot", f"L-{n}", named(f"Lot L-{n} is on hold: {long[: 60 * (n % 4)]}", n)) for n in range(3 * many)),
        months=tuple(
            ReviewMonth(month, *((None,) * 3 if n == 0 else (n - 1, 2 * (n % 2), n % 3))) for n, month in enumerate(MONTHS)
        ),
        meters=tuple(
            ReviewMeter(named(f"M{n}", n), "fit", "The last run passed.", 900, 4, 15, 1, 34, ("L-1003",), {"1-3s": 2}, 1)
            for n in range(3 * many)
        ),
        blocks=blocks,
        events=(covered, waiting),
        signals=tuple(
            ReviewSignal(named("M1", 1), "B1", DAY + timedelta(days=n), ("1-3s", "2-2s")[: 1 + n % 2], 3.2 + n, 0.2, True,
                         *(((said,), END) if n < 2 else ((), None)))
            for n in range(8 * many)
        ),
        not_accepted=(ReviewLot(named("L-1001", 6), "hold", "suspect", named("The check failed.", 7), DAY, (said,)),) * many,
        due=tuple(ReviewDue("block", named(f"B{n}", n), named("HC-26-0311", 8), date(2026, 4, 1) + timedelta(days=n), n == 0) for n in range(3 * many)),
        budgets=(ReviewBudget(named("M1", 1), named("CU-1", 9), "MS/m", 4, 0.1, 0.2, 0.3, named("block certificate", 10), 0.8),),
        agreement=(ReviewAgreement("B1", named("M1", 1), named("M2", 2), 12, 3, 0.1, (0.05, 0.15), 1.2),),
        comparisons=(),
        studies=(PageLink("study", "GRR-1", named("GRR-1", 11), "limited", named("Uses 15 % of the tolerance.", 12), DAY),),
        files=ReviewFiles(4, 900, 880, 15, 5, 1, 5),
        chain=ReviewChain({named("disposition", 13): 2}, 98, "45d0a47ca541c7d5" * 4, END),
    )  # fmt: skip
    return ReviewPage(result, provenance(hostile=hostile))


def review_pages() -> dict[str, ReviewPage]:
    """Return reviews by the case they stand for."""
    plain = review_page()
    quiet = replace(
        plain.result, over=False, actions=(), months=(ReviewMonth("2026-03", 0, 0, 0),), blocks=(), events=(), signals=(),
        not_accepted=(), due=(), budgets=(), agreement=(), studies=(), chain=ReviewChain({}, 0, "", None),
    )  # fmt: skip
    return {
        "usual": plain,
        "many": review_page(many=9),
        "quiet": replace(plain, result=quiet),
        "hostile": review_page(hostile=True, many=4),
    }
