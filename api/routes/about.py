"""What this service is, who is asking, and what it can be asked."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse, Response

from api.access.needs import CallerDep, needs
from api.access.scope import READ
from api.access_schema import About
from api.service import ServiceDep

router = APIRouter(tags=["service"])


@router.get("/about", dependencies=[needs(READ)], summary="What this service is, and who you are here")
def about(request: Request, service: ServiceDep, caller: CallerDep) -> About:
    return About(
        service="ullage",
        version=request.app.version,
        demonstration=service.settings.demo,
        signed_in_as=caller.name,
        scope=caller.scope,
    )


@router.get("/openapi.json", dependencies=[needs(READ)], include_in_schema=False)
def openapi(request: Request) -> Response:
    document: dict[str, Any] = request.app.openapi()
    return JSONResponse(document)
