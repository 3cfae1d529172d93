"""A kept sentence as it travels over the API: English beside its template and figures, to be said in any language."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, Field

from ingest.saying import Figure, Sentence


class FigureOut(BaseModel):
    """One figure of a sentence."""

    kind: str = Field(description="What it is, and its unit with that: `litres`, `instant` (UTC ms) …")
    value: float | str | list[SayingOut] = Field(description="The bare value. [that of its `kind`]", examples=[2130.0])


class SayingOut(BaseModel):
    """A sentence with its figures apart."""

    text: str = Field(description="English template, with `{name}` for each figure.", examples=["Level {tank}"])
    figures: dict[str, FigureOut] = Field(description="The figures by name.")


def saying_out(sentence: Sentence) -> SayingOut:
    """The sentence; what was kept as plain text has no figures."""
    if isinstance(sentence, str):
        return SayingOut(text=sentence.replace("{", "{{").replace("}", "}}"), figures={})
    return SayingOut(text=sentence.text, figures={name: _figure(figure) for name, figure in sentence.figures.items()})


def _figure(figure: Figure) -> FigureOut:
    value: Any = figure.value
    return FigureOut(kind=figure.kind, value=list(map(saying_out, value)) if isinstance(value, list) else value)
