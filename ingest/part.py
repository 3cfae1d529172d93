"""What every part of a site file is made of: numbers with their bounds, ids, and no surprises."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

Id = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9-]{0,39}$")]
Words = Annotated[str, StringConstraints(min_length=1, max_length=200)]
Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Positive = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0)]
NotNegative = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0)]
#: Sizes beyond which a small supply's figure is in another unit: 1400 for a diameter is millimetres.
Metres = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=50)]
Height = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=50)]
SquareMetres = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=50_000)]
Millimetres = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=20)]
Watts = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=50_000)]
AmpereHours = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=20_000)]
LitresPerMinute = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=5_000)]
Share = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=1)]
Month = Annotated[int, Field(strict=True, ge=1, le=12)]
TwelveMonths = Annotated[list[NotNegative], Field(min_length=12, max_length=12)]


class Part(BaseModel):
    """Whatever stands in a site file: unknown keys are refused, nothing changes later."""

    model_config = ConfigDict(extra="forbid", frozen=True)
