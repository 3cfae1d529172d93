"""What somebody should do today, the most urgent first. Pure. It advises; people act."""

from __future__ import annotations

from collections.abc import Sequence

from api.current import SiteState
from api.pages.alarms import AlarmLine
from api.pages.upkeep import Supply, Task
from ingest import saying
from ingest.saying import Sentence, say


def today(
    state: SiteState, alarms: Sequence[AlarmLine], tasks: Sequence[Task], supply: Supply | None
) -> list[Sentence]:
    """What alarms ask for, what the forecast advises to do now, and upkeep that is due."""
    due: list[Sentence] = [
        say(
            "{action} ({within})",
            action=_said(line.action),
            within=_said(line.within),
        )
        for line in alarms
        if line.holds and not line.muted
    ]
    due += _advised(state, supply, saving=bool(due))
    return due + [
        say("{task}: upkeep, due since {day}.", task=saying.name(task.id), day=saying.day(task.due_ms))
        for task in tasks
        if task.due_ms is not None and task.is_due(state.now_ms)
    ]


def _advised(state: SiteState, supply: Supply | None, saving: bool) -> list[Sentence]:
    """saving: an alarm has said already what to do about the use"""
    current = state.forecast
    if current is None or current.stale or current.forecast.decisions is None:
        return []
    decisions, said = current.forecast.decisions, list[Sentence]()
    changeover, backup = decisions.changeover, state.site.backup
    due = changeover is not None and changeover.open_by_d is not None and changeover.open_by_d < 1
    if due and changeover is not None and backup is not None and (supply is None or not supply.open):
        known = {"backup": saying.name(backup.id), "chance": saying.chance(changeover.open_chance)}
        if supply is None or supply.open is None:
            said.append(
                say("Open the {backup}, unless it is open: {chance} that rain water has run out within a day.", **known)
            )
        else:
            said.append(say("Open the {backup}: {chance} that rain water has run out within a day.", **known))
    if not saving and decisions.allowance is not None and decisions.allowance.allowance_l_day <= 0:
        said.append(say("Save water."))
    return said


def _said(part: Sentence) -> saying.Figure:
    return saying.said([part])
