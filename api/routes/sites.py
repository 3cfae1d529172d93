"""Which sites there are, and how each stands now."""

from __future__ import annotations

from fastapi import APIRouter

from api.access.needs import needs
from api.access.scope import READ
from api.alarms.lifecycle import ACTIVE
from api.schemas import (
    SensorDescription,
    SiteDescription,
    SiteList,
    SiteSummary,
    TankDescription,
)
from api.service import Service, ServiceDep, SiteDep
from forecast.model.geometry import geometry_of
from ingest.site import Sensor, Site, Tank

router = APIRouter(tags=["sites"])


@router.get("/sites", dependencies=[needs(READ)], summary="All sites")
def sites(service: ServiceDep) -> SiteList:
    return SiteList(sites=[_summary(site, service) for site in service.sites.values()])


@router.get("/sites/{site}", dependencies=[needs(READ)], summary="One site, as its site file describes it")
def site(site: SiteDep, service: ServiceDep) -> SiteDescription:
    return SiteDescription(
        **_summary(site, service).model_dump(),
        latitude=site.latitude,
        longitude=site.longitude,
        tanks=[_tank(tank) for tank in site.tank],
        draws=[draw.id for draw in site.draw],
        backup=None if site.backup is None else site.backup.id,
        sensors=[_sensor(sensor) for sensor in site.sensor],
    )


def _summary(site: Site, service: Service) -> SiteSummary:
    active = sum(entry.new in ACTIVE for entry in service.records.last_transitions(site.id).values())
    return SiteSummary(id=site.id, name=site.name, timezone=site.timezone, alarms_active=active)


def _tank(tank: Tank) -> TankDescription:
    geometry = geometry_of(tank)
    return TankDescription(
        id=tank.id,
        shape=tank.shape,
        outlet_height_m=tank.outlet_height_m,
        overflow_height_m=tank.overflow_height_m,
        dead_l=geometry.dead_l,
        capacity_l=geometry.capacity_l,
        low_l=tank.low_l,
        overflow_to=tank.overflow_to,
    )


def _sensor(sensor: Sensor) -> SensorDescription:
    quantity = sensor.quantity
    return SensorDescription(
        id=sensor.id,
        measures=sensor.measures,
        meaning=quantity.meaning,
        unit=quantity.unit,
        counter=quantity.counter,
        every_s=sensor.every_s,
    )
