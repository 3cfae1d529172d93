"""A design check as the API and `ullage design --json` give it: figures, and what they mean in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import BaseModel, Field

from api.sayings import SayingOut, saying_out
from api.speech import Speaker
from forecast.sizing.finding import Kind
from forecast.sizing.result import Figures

if TYPE_CHECKING:
    from forecast.sizing.result import DesignCheck


class SaidFinding(BaseModel):
    """One sentence of the check."""

    kind: Kind = Field(description="How to take it; `warning`: a promise that is unsafe, or a size that is wrong.")
    topic: str = Field(examples=["overflow"])
    says: str = Field(description="The sentence in English.")
    saying: SayingOut = Field(description="The same with its figures apart, to be said in any language.")


class DesignOut(BaseModel):
    """A design check. A mean year unless a year is named; litres unless a name ends otherwise."""

    figures: Figures
    findings: list[SaidFinding]


def design_out(check: DesignCheck, speaker: Speaker) -> DesignOut:
    findings = [
        SaidFinding(kind=one.kind, topic=one.topic, says=speaker.say(one.says), saying=saying_out(one.says))
        for one in check.findings
    ]
    return DesignOut(figures=check.figures, findings=findings)
