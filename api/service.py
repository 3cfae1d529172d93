"""What every route works with: the sites, the stores, the clock, the settings."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Annotated, cast

from fastapi import Depends, Path, Request

from api.access.access import Access
from api.copies import Copies
from api.hourly import Hourly
from api.problems import ProblemError
from api.settings import Settings
from forecast.backroom import Backroom
from ingest.saying import name, say
from ingest.site import Site
from ingest.store.readings import ReadingStore
from ingest.store.records import Records


@dataclass(frozen=True)
class Service:
    """Everything a request needs, handed to the app factory once. clock: UTC now [ms]

    channels  who is told of what people do about an alarm, by their names in the records
    backroom    does heavy work in a process of its own
    hourly    what was put together in this hour and is told again
    """

    sites: Mapping[str, Site]
    readings: ReadingStore
    records: Records
    clock: Callable[[], int]
    settings: Settings
    access: Access
    channels: tuple[str, ...] = ()
    backroom: Backroom = field(default_factory=Backroom)
    copies: Copies = field(default_factory=Copies)
    hourly: Hourly = field(default_factory=Hourly)


# These wait for nothing; were they not async, each would cost a request its way into a thread and back.
async def service_of(request: Request) -> Service:
    return cast(Service, request.app.state.service)


ServiceDep = Annotated[Service, Depends(service_of)]


async def site_of(
    service: ServiceDep,
    site: Annotated[str, Path(description="Id of the site.", examples=["skerrow-head"])],
) -> Site:
    """The site named in the path, or a 404 that lists the ones there are."""
    found = service.sites.get(site)
    if found is None:
        known = name(", ".join(service.sites) or "–")
        detail = say("No site has this id. There is: {known}.", known=known)
        raise ProblemError(404, "unknown-site", "No such site", detail)
    return found


SiteDep = Annotated[Site, Depends(site_of)]
