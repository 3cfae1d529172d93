"""What travels over /api/v1 about access, field by field."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from api.access.password import LONGEST, SHORTEST
from api.access.scope import ScopeName
from api.schemas import Time

_Line = StringConstraints(strip_whitespace=True, pattern=r"^[^\x00-\x1f\x7f]*$")
_Name = Annotated[str, _Line, Field(min_length=1, max_length=80)]
_Password = Annotated[str, Field(min_length=SHORTEST, max_length=LONGEST, json_schema_extra={"format": "password"})]
_SCOPE = "What it may do; each includes the one before: read, acknowledge (alarms, and the log), configure (access)."


class _In(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class About(BaseModel):
    """The service, and who is asking."""

    service: str = Field(description="Always `ullage`.", examples=["ullage"])
    version: str = Field(description="Its version.", examples=["0.1.0"])
    demonstration: bool = Field(
        description="Everything shown is invented, and nobody has to sign in: reached from its own machine only.",
        examples=[False],
    )
    signed_in_as: str = Field(description="Who you are here; what you do is written down by this name.")
    scope: ScopeName = Field(description=_SCOPE, examples=["read"])


class SetupIn(_In):
    """The first account."""

    code: str = Field(max_length=100, description="The setup code.", examples=["k7m2p-x9wqa-4htnc-8yzre-5vbd3g"])
    name: _Name = Field(description="By what name you are known here.", examples=["warden"])
    password: _Password = Field(description="Length alone counts.", examples=["a kettle on the north wind"])


class SetUp(BaseModel):
    """The service is set up; here is a first token."""

    name: str = Field(description="The first person, who may configure.", examples=["warden"])
    token_id: int = Field(description="Number of the token, to revoke it by. [1]", examples=[1])
    token: str = Field(description="Its secret, shown this once. Scope configure.", examples=["ull_…"])


class TokenIn(_In):
    """A token to be made."""

    name: _Name = Field(description="What it is for.", examples=["prober in the office"])
    scope: ScopeName = Field("read", description=_SCOPE, examples=["read"])
    days: Annotated[int, Field(ge=1, le=36_500)] | None = Field(
        None, description="After so many days it expires; null: never. [d]", examples=[365]
    )


class TokenOut(BaseModel):
    """A token, without its secret."""

    id: int = Field(description="Its number. [1]", examples=[3])
    name: str = Field(description="What it is for.", examples=["prober in the office"])
    scope: ScopeName = Field(description=_SCOPE, examples=["read"])
    created: Time = Field(description="When it was made.")
    created_by: str = Field(description="By whom.", examples=["warden"])
    expires: Time | None = Field(description="When it expires; null: never.")
    last_used: Time | None = Field(description="When it was last used, to ten minutes; null: never.")
    revoked: Time | None = Field(description="When it was revoked; null: it was not.")


class NewToken(TokenOut):
    """A token just made."""

    token: str = Field(description="Its secret, shown this once.", examples=["ull_…"])


class TokenList(BaseModel):
    """All tokens, oldest first."""

    tokens: list[TokenOut] = Field(description="The tokens.")


class PersonIn(_In):
    """Somebody to be let in."""

    name: _Name = Field(description="By what name they sign in.", examples=["warden"])
    password: _Password = Field(description="Length alone counts.", examples=["a kettle on the north wind"])
    scope: ScopeName = Field(description=_SCOPE, examples=["acknowledge"])


class PersonOut(BaseModel):
    """Somebody who may come in."""

    name: str = Field(description="By what name they sign in.", examples=["warden"])
    scope: ScopeName = Field(description=_SCOPE, examples=["acknowledge"])
    created: Time = Field(description="Since when.")


class PersonList(BaseModel):
    """Everybody, by name."""

    people: list[PersonOut] = Field(description="The people.")


class PasswordIn(_In):
    """A new password."""

    password: _Password = Field(description="Length alone counts.", examples=["a kettle on the north wind"])
