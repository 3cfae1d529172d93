"""Tokens, by which programs come in."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path

from api.access.needs import CallerDep, needs
from api.access.scope import CONFIGURE, scope_of
from api.access_schema import NewToken, TokenIn, TokenList, TokenOut
from api.service import ServiceDep
from ingest.instants import to_rfc3339
from ingest.store.access import Token

router = APIRouter(tags=["access"])


@router.get("/tokens", dependencies=[needs(CONFIGURE)], summary="All tokens, without their secrets")
def tokens(service: ServiceDep) -> TokenList:
    return TokenList(tokens=[token_out(token) for token in service.access.tokens()])


@router.post("/tokens", status_code=201, dependencies=[needs(CONFIGURE)], summary="Make a token")
def make(service: ServiceDep, caller: CallerDep, given: TokenIn) -> NewToken:
    """The secret is in this answer and nowhere else: only its digest is kept."""
    secret, token = service.access.issue(given.name, given.scope, caller.name, given.days)
    return NewToken(**token_out(token).model_dump(), token=secret)


@router.delete("/tokens/{id}", status_code=204, dependencies=[needs(CONFIGURE)], summary="Revoke a token, for good")
def revoke(
    service: ServiceDep,
    id: Annotated[int, Path(ge=1, le=2**62, description="Number of the token. [1]", examples=[3])],  # noqa: A002
) -> None:
    service.access.revoke(id)


def token_out(token: Token) -> TokenOut:
    """A token as it is shown."""
    return TokenOut(
        id=token.id,
        name=token.name,
        scope=scope_of(token.scope),
        created=to_rfc3339(token.created_ms),
        created_by=token.created_by,
        expires=None if token.expires_ms is None else to_rfc3339(token.expires_ms),
        last_used=None if token.used_ms is None else to_rfc3339(token.used_ms),
        revoked=None if token.revoked_ms is None else to_rfc3339(token.revoked_ms),
    )
