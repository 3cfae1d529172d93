"""What the hand calculations beside the run are called, and where each comes from: words alone."""

from __future__ import annotations

from typing import Final

from ingest.saying import Saying, say

#: What each method is called, and where it comes from.
METHODS: Final[dict[str, tuple[Saying, Saying]]] = {
    "area_times_rain": (
        say("Roof area times rain"),
        say("common practice, no source: exact before any loss"),
    ),
    "area_times_rain_times_coefficient": (
        say("Roof area times rain times runoff coefficient"),
        say("common practice, no source"),
    ),
    "five_percent": (
        say("Tank by the 5 % rule"),
        say("BS 8515:2009, EN 16941-1:2018: of a year's yield, filter 0.9, or of its demand if that is less"),
    ),
    "six_percent": (
        say("Tank by the 6 % rule"),
        say("DIN 1989-1, from memory: of a year's yield, or of its demand if that is less"),
    ),
    "longest_dry_spell": (
        say("Tank for the longest dry spell"),
        say("common practice, no source: its days times a mean day's use"),
    ),
    "sequent_peak_months": (
        say("Tank by sequent peak, mean months"),
        say("Loucks and van Beek, Water Resource Systems Planning and Management, from memory: a mean year twice"),
    ),
    "sequent_peak_days": (
        say("Tank by sequent peak, every day of the record"),
        say("the same, so that it never runs dry in this record"),
    ),
    "before_spillage_daily": (
        say("Share of what is wanted, yield before spillage by the day"),
        say("Jenkins et al. 1978, Fewkes 1999: the day's rain may be used before the tank spills"),
    ),
    "after_spillage_daily": (
        say("Share of what is wanted, yield after spillage by the day"),
        say("Jenkins et al. 1978, Fewkes 1999: only what stood in the tank that morning may be used"),
    ),
}  # fmt: skip
