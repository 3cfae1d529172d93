"""People, who come in with a password."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path

from api.access.needs import needs
from api.access.scope import CONFIGURE, scope_of
from api.access_schema import PasswordIn, PersonIn, PersonList, PersonOut
from api.service import ServiceDep
from ingest.instants import to_rfc3339
from ingest.store.access import Person

router = APIRouter(tags=["access"])

_Name = Annotated[str, Path(max_length=80, description="Name of the person.", examples=["warden"])]


@router.get("/people", dependencies=[needs(CONFIGURE)], summary="Everybody who has a password here")
def people(service: ServiceDep) -> PersonList:
    return PersonList(people=[person_out(person) for person in service.access.people()])


@router.post("/people", status_code=201, dependencies=[needs(CONFIGURE)], summary="Let somebody in")
def add(service: ServiceDep, given: PersonIn) -> PersonOut:
    return person_out(service.access.add_person(given.name, given.password, given.scope))


@router.put(
    "/people/{name}/password", status_code=204, dependencies=[needs(CONFIGURE)], summary="Set somebody's password"
)
def set_password(service: ServiceDep, name: _Name, given: PasswordIn) -> None:
    """Ends every session of that person."""
    service.access.reset_password(name, given.password)


@router.delete("/people/{name}", status_code=204, dependencies=[needs(CONFIGURE)], summary="Let somebody in no longer")
def remove(service: ServiceDep, name: _Name) -> None:
    """Ends their sessions. The last one who may configure stays."""
    service.access.remove_person(name)


def person_out(person: Person) -> PersonOut:
    """A person as they are shown."""
    return PersonOut(name=person.name, scope=scope_of(person.scope), created=to_rfc3339(person.created_ms))
