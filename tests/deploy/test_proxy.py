"""The proxy's settings as they are shipped, in Debian's nginx, before the API as it runs."""

from __future__ import annotations

import ssl
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from api.access.access import Access
from api.role import run_api
from api.settings import load_settings
from ingest.collector import system_clock
from ingest.store.access import AccessStore
from ingest.store.locate import open_readings
from ingest.store.records import Records
from tests.conftest import ROOT, find_free_port
from tests.nginx import nginx_command

NAME, PASSWORD = "warden", "a kettle on the north wind"
SERVICE = "water.example"


@pytest.fixture
def api_port(tmp_path: Path, sites_folder: Path) -> Iterator[int]:
    """Of a service that somebody has set up, which knows its name and its proxy."""
    port, data = find_free_port(), tmp_path / "data"
    settings = load_settings(
        {}, data=data, sites=sites_folder, port=port, hosts=SERVICE, proxies="127.0.0.1", alarms="off"
    )
    open_readings(settings.readings_store, writer=True, data=data).close()
    records = Records(settings.records)
    Access(AccessStore(records), system_clock).add_person(NAME, PASSWORD, "configure")
    records.close()
    stop = threading.Event()
    thread = threading.Thread(target=run_api, args=(settings, system_clock, stop))
    thread.start()
    yield port
    stop.set()
    thread.join(30)


@pytest.fixture
def through(tmp_path: Path, api_port: int) -> Iterator[httpx.Client]:
    """A browser that reaches it over TLS."""
    folder, tls, plain = tmp_path / "nginx", find_free_port(), find_free_port()
    folder.mkdir()
    certificate, key = folder / "certificate.pem", folder / "key.pem"
    made = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", f"/CN={SERVICE}"]
    names = ["-addext", f"subjectAltName=DNS:{SERVICE}", "-keyout", str(key), "-out", str(certificate)]
    subprocess.run([*made, *names], check=True, capture_output=True)
    shipped = (ROOT / "deploy" / "nginx" / "ullage.conf").read_text()
    for old, new in (
        ("127.0.0.1:8080", f"127.0.0.1:{api_port}"),
        ("listen 80;", f"listen 127.0.0.1:{plain};"),
        ("listen 443 ssl;", f"listen 127.0.0.1:{tls} ssl;"),
        ("/etc/ssl/ullage", str(folder)),
    ):
        assert old in shipped
        shipped = shipped.replace(old, new)
    nginx = subprocess.Popen(nginx_command(folder, shipped))
    context = ssl.create_default_context(cafile=str(certificate))
    context.check_hostname = False  # the name is not that of the address by which we come
    try:
        with httpx.Client(verify=context, base_url=f"https://127.0.0.1:{tls}", headers={"Host": SERVICE}) as client:
            end = time.monotonic() + 20
            while True:
                try:
                    if client.get("/login").status_code == 200:
                        break
                except httpx.TransportError:
                    assert nginx.poll() is None, (folder / "error.log").read_text()
                assert time.monotonic() < end, "nginx or the service does not answer"
                time.sleep(0.05)
            yield client
    finally:
        nginx.terminate()
        nginx.wait(10)


def test_somebody_signs_in_over_tls_and_sees_the_page(through: httpx.Client) -> None:
    form = {"name": NAME, "password": PASSWORD}
    signed = through.post("/login", data=form, headers={"Origin": f"https://{SERVICE}"})
    assert signed.status_code == 303, signed.text
    cookie = signed.headers["set-cookie"]
    assert "Secure" in cookie
    assert "HttpOnly" in cookie
    page = through.get("/", headers={"Cookie": cookie.split(";")[0]})
    assert page.status_code == 200
    assert "Skerrow Head" in page.text


def test_a_foreign_page_cannot_sign_anybody_in(through: httpx.Client) -> None:
    form = {"name": NAME, "password": PASSWORD}
    assert through.post("/login", data=form, headers={"Origin": "https://elsewhere.example"}).status_code == 403


def test_who_goes_around_the_proxy_gives_no_password(through: httpx.Client, api_port: int) -> None:
    headers = {"Host": SERVICE, "Origin": f"http://{SERVICE}"}
    answer = httpx.post(
        f"http://127.0.0.1:{api_port}/login", data={"name": NAME, "password": PASSWORD}, headers=headers
    )
    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers
