"""What a site was designed to give: the design check."""

from __future__ import annotations

from fastapi import APIRouter

from api.access.needs import needs
from api.access.scope import READ
from api.design_schema import DesignOut, design_out
from api.designs import DesignsDep
from api.service import SiteDep
from api.speech import Speaker

router = APIRouter(tags=["design"])


@router.get("/sites/{site}/design", dependencies=[needs(READ)], summary="What the site is able to deliver, by design")
def design(site: SiteDep, designs: DesignsDep) -> DesignOut:
    return design_out(designs.of(site), Speaker(site.zone))
