"""What the forecast means for those who draw, as sentences. Pure. It advises; people decide."""

from __future__ import annotations

from api.current import SiteState
from api.pages.statement import Statement
from api.pages.upkeep import Supply
from forecast.result import Allowance, Changeover, FreeWater, Takeover
from ingest import saying
from ingest.instants import DAY_MS
from ingest.saying import Figure, Saying, say


def advice(state: SiteState, supply: Supply | None) -> list[Statement]:
    """How much may be drawn, what is free, when the backup should open; nothing where there is no such forecast.

    supply  which one is open: nobody is told to open what stands open
    """
    current = state.forecast
    if current is None or current.forecast.decisions is None:
        return []
    decisions, issued_ms = current.forecast.decisions, current.forecast.issued_ms
    said: list[Saying] = []
    cautions: list[Saying] = []
    if decisions.allowance is not None:
        said.append(_allowance(decisions.allowance))
    if decisions.free_water.free_l > 0:
        said.append(_free(decisions.free_water))
    if decisions.changeover is not None and state.site.backup is not None:
        horizon_d = current.forecast.horizon_h // 24
        stands_open = None if supply is None else supply.open
        said += _changeover(decisions.changeover, stands_open, state.site.backup.id, issued_ms, horizon_d)
        if stands_open is not False or decisions.changeover.open_by_d is not None:
            cautions.append(_one_at_a_time(stands_open, state.site.backup.id))
    if decisions.takeover is not None and state.site.backup is not None:
        horizon_d = current.forecast.horizon_h // 24
        said.append(_takeover(decisions.takeover, state.site.backup.id, issued_ms, horizon_d))
    when = say("Forecast of {time}", time=saying.instant(issued_ms))
    stale = current.stale
    advised = [Statement(sentence, when if sentence is said[-1] else None, stale) for sentence in said]
    return advised + [Statement(caution) for caution in cautions]


def _allowance(allowed: Allowance) -> Saying:
    known = {"chance": saying.chance(allowed.chance), "days": saying.days(allowed.days)}
    if allowed.allowance_l_day <= 0:
        return say("Save water: even if nobody draws, {chance} that it runs out within {days}.", **known)
    return say(
        "Up to {allowance} may be drawn for {days}: then {chance} that rain water runs out in that time.",
        allowance=saying.litres_a_day(allowed.allowance_l_day),
        **known,
    )


def _free(free: FreeWater) -> Saying:
    return say(
        "{volume} will run over within {days} anyway ({chance}): use them now where they do good.",
        volume=saying.litres(free.free_l),
        days=saying.days(free.days),
        chance=saying.chance(free.chance),
    )


def _changeover(
    changeover: Changeover, stands_open: bool | None, backup: str, issued_ms: int, horizon_d: int
) -> list[Saying]:
    supply, opening = saying.name(backup), saying.chance(changeover.open_chance)
    if stands_open:
        return _while_open(changeover, supply, issued_ms)
    if changeover.open_by_d is None:
        said = say(
            "No need to open the {backup} in the next {days}: {chance} that rain water runs out.",
            backup=supply,
            days=saying.days(horizon_d),
            chance=opening,
        )
    elif changeover.open_by_d < 1:
        said = say(
            "Open the {backup} now: {chance} that rain water has run out within a day.", backup=supply, chance=opening
        )
    else:
        said = say(
            "Open the {backup} by {day}: {chance} that rain water has run out by then.",
            backup=supply,
            day=saying.day_after(issued_ms + round((changeover.open_by_d - 1) * DAY_MS)),
            chance=opening,
        )
    return [said, *([] if stands_open is False else _if_open(changeover, supply, issued_ms))]


def _while_open(changeover: Changeover, supply: Figure, issued_ms: int) -> list[Saying]:
    """It is known to be open."""
    if changeover.close_after_d is None:
        return [say("Leave the {backup} open: no day is near on which rain water alone would do.", backup=supply)]
    known = {"backup": supply, "chance": saying.chance(changeover.close_chance)}
    if changeover.close_after_d == 0:
        return [say("The {backup} may be closed now: then {chance} that rain water runs out within a week.", **known)]
    return [
        say(
            "The {backup} may be closed from {day}: then {chance} that rain water runs out within a week.",
            day=_close_day(changeover.close_after_d, issued_ms),
            **known,
        )
    ]


def _if_open(changeover: Changeover, supply: Figure, issued_ms: int) -> list[Saying]:
    """Nobody knows whether it is."""
    if changeover.close_after_d is None:
        return []
    known = {"backup": supply, "chance": saying.chance(changeover.close_chance)}
    if changeover.close_after_d == 0:
        return [
            say(
                "If the {backup} is open, it may be closed now: then {chance} that rain water runs out within a week.",
                **known,
            )
        ]
    return [
        say(
            "If the {backup} is open, it may be closed from {day}: "
            "then {chance} that rain water runs out within a week.",
            day=_close_day(changeover.close_after_d, issued_ms),
            **known,
        )
    ]


def _one_at_a_time(stands_open: bool | None, backup: str) -> Saying:
    """Beside every word about opening and closing: untreated rain water must not get into the other supply."""
    if stands_open:
        return say(
            "While the {backup} is open, the rain water stays shut: never both at once.", backup=saying.name(backup)
        )
    return say("Shut the one supply before the other is opened: never both at once.")


def _close_day(after_d: int, issued_ms: int) -> Figure:
    return saying.day_after(issued_ms + (after_d - 1) * DAY_MS)


def _takeover(takeover: Takeover, backup: str, issued_ms: int, horizon_d: int) -> Saying:
    supply, within = saying.name(backup), saying.days(horizon_d)
    if takeover.opens.p50 is None:
        return say(
            "The {backup} opens by itself when it is needed: {chance} that it does within {days}.",
            backup=supply,
            chance=saying.chance(takeover.opens.within),
            days=within,
        )
    return say(
        "The {backup} is likely to open by itself by {day}, and to give about {volume} within {days}, "
        "hardly more than {most}.",
        backup=supply,
        day=saying.day(issued_ms + round(takeover.opens.p50 * DAY_MS)),
        volume=saying.litres(takeover.backup_l.p50[0]),
        most=saying.litres(takeover.backup_l.p95[0]),
        days=within,
    )
