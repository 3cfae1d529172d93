"""What the forecast means for those who draw, as sentences. Pure. It advises; people decide."""

from __future__ import annotations

from api.current import SiteState
from api.pages.summary import Statement
from api.words import chance, clock_time, count, day_after, litres
from forecast.result import Allowance, Changeover, FreeWater
from ingest.instants import DAY_MS


def advice(state: SiteState) -> list[Statement]:
    """How much may be drawn, what is free, when the backup should open; nothing where there is no such forecast."""
    current = state.forecast
    if current is None or current.forecast.decisions is None:
        return []
    decisions, issued_ms = current.forecast.decisions, current.forecast.issued_ms
    said = []
    if decisions.allowance is not None:
        said.append(_allowance(decisions.allowance))
    if decisions.free_water.free_l > 0:
        said.append(_free(decisions.free_water))
    if decisions.changeover is not None and state.site.backup is not None:
        horizon_d = current.forecast.horizon_h // 24
        said += _changeover(decisions.changeover, state.site.backup.id, issued_ms, horizon_d, state)
    when = f"Forecast of {clock_time(issued_ms, state.site.zone)}"
    return [Statement(sentence, when, stale=current.stale) for sentence in said]


def _allowance(allowed: Allowance) -> str:
    days = count(allowed.days, "day")
    if allowed.allowance_l_day <= 0:
        return f"Save water: even if nobody draws, {chance(allowed.chance)} that it runs out within {days}."
    return (
        f"Up to {litres(allowed.allowance_l_day)} a day may be drawn for {days}: "
        f"then {chance(allowed.chance)} that rain water runs out in that time."
    )


def _free(free: FreeWater) -> str:
    return (
        f"{litres(free.free_l)} will run over within {count(free.days, 'day')} anyway ({chance(free.chance)}): "
        "use them now where they do good."
    )


def _changeover(changeover: Changeover, backup: str, issued_ms: int, horizon_d: int, state: SiteState) -> list[str]:
    said = []
    if changeover.open_by_d is None:
        said.append(
            f"No need to open the {backup} in the next {count(horizon_d, 'day')}: "
            f"{chance(changeover.open_chance)} that rain water runs out."
        )
    elif changeover.open_by_d < 1:
        said.append(
            f"Open the {backup} now: {chance(changeover.open_chance)} that rain water has run out within a day."
        )
    else:
        day = day_after(issued_ms + round((changeover.open_by_d - 1) * DAY_MS), state.site.zone)
        said.append(
            f"Open the {backup} by {day}: {chance(changeover.open_chance)} that rain water has run out by then."
        )
    if changeover.close_after_d == 0:
        said.append(
            f"If the {backup} is open, it may be closed now: "
            f"then {chance(changeover.close_chance)} that rain water runs out within a week."
        )
    elif changeover.close_after_d is not None:
        day = day_after(issued_ms + (changeover.close_after_d - 1) * DAY_MS, state.site.zone)
        said.append(
            f"If the {backup} is open, it may be closed from {day}: "
            f"then {chance(changeover.close_chance)} that rain water runs out within a week."
        )
    return said
