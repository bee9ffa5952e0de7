"""The handover report: a page that the customer keeps and signs, and an annex with all that stands behind it."""

from __future__ import annotations

import uphaul
from uphaul.reports.complaint import BANNER
from uphaul.reports.handover_annex import attempts, cautions, limits, of_drives, reasons, used
from uphaul.reports.handover_case import Handover
from uphaul.reports.handover_front import front, written
from uphaul.reports.handover_pulls import pulls
from uphaul.reports.handover_road import road
from uphaul.reports.page import Report
from uphaul.reports.words import and_list

__all__ = ["handover"]


def handover(handed: Handover) -> Report:
    """The whole report."""
    numbers = and_list([str(d.number) for d in handed.drives])
    facts = [("Vehicle", handed.vehicle.name or "without a name")]
    facts += [(label, text) for label, text in written(handed) if text]
    word = "Drive" if len(handed.drives) == 1 else "Drives"
    facts.append((word, f"{numbers} of {handed.newest.case.log}"))
    part = handed.reference.case.parts[-1]
    facts.append(("Judged by", f"Uphaul {part.info.software}, configuration {part.sha256[:16]}"))
    if handed.kept.words:
        facts.append(("Reference", handed.kept.words))
    return Report(
        title=f"Handover: {handed.vehicle.name}" if handed.vehicle.name else "Handover",
        facts=tuple(facts),
        answer=(),
        sections=(
            pulls(handed),
            road(handed),
            attempts(handed),
            reasons(handed),
            used(handed),
            limits(handed),
            *of_drives(handed),
            cautions(handed),
        ),
        banner=BANNER if handed.invented else "",
        made_by=f"Written by Uphaul {uphaul.__version__}. Times count from each drive's beginning.",
        front=front(handed),
    )
