"""Commissioning: is everything heard, believed, and right."""

from __future__ import annotations

from fastapi import APIRouter

from api.access.needs import needs
from api.access.scope import READ
from api.commission_schema import CommissioningOut, commissioning_out
from api.commissioning.reading import look
from api.service import ServiceDep, SiteDep
from api.speech import Speaker

router = APIRouter(tags=["sites"])


@router.get(
    "/sites/{site}/commissioning", dependencies=[needs(READ)], summary="Commissioning: every sensor heard and right?"
)
def commissioning(site: SiteDep, service: ServiceDep) -> CommissioningOut:
    found = look(site, service.readings, service.records, service.clock(), service.settings.prefix)
    return commissioning_out(found, Speaker(site.zone))
