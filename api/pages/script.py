"""The one script of the pages. Everything is there without it."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Final

from fastapi import APIRouter, Response

from api.access.needs import needs
from api.access.scope import READ
from api.charts import figure as charts

SCRIPT: Final = (Path(__file__).parent / "html" / "poll.js").read_text(encoding="utf-8") + charts.SCRIPT
#: Its address changes with it, so a browser may keep it for good.
ADDRESS: Final = f"/page-{hashlib.sha256(SCRIPT.encode()).hexdigest()[:10]}.js"

router = APIRouter(include_in_schema=False)


@router.api_route(ADDRESS, methods=["GET", "HEAD"], dependencies=[needs(READ)])
def script() -> Response:
    headers = {"Cache-Control": "private, max-age=31536000, immutable"}
    return Response(SCRIPT, media_type="text/javascript", headers=headers)
