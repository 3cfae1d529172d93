"""Setting the service up without a browser."""

from __future__ import annotations

from fastapi import APIRouter, Request

from api.access.needs import OPEN
from api.access.origin import address_of, check_link
from api.access.scope import CONFIGURE
from api.access_schema import SetUp, SetupIn
from api.service import ServiceDep

router = APIRouter(tags=["access"])


@router.post("/setup", status_code=201, dependencies=[OPEN], summary="Trade the setup code for the first account")
def set_up(request: Request, service: ServiceDep, given: SetupIn) -> SetUp:
    """The code is the one that the service printed when it last started. Works once, and only while nobody is there."""
    check_link(request, service.settings.password_over_http)
    service.access.set_up(given.code, given.name, given.password, address_of(request))
    secret, token = service.access.issue("setup", CONFIGURE, given.name)
    return SetUp(name=given.name, token_id=token.id, token=secret)
