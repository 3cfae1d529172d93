"""Debian's nginx in a folder of its own."""

from __future__ import annotations

import getpass
import shutil
from pathlib import Path

_AROUND = """
user {user};
daemon off;
pid {folder}/nginx.pid;
error_log {folder}/error.log;
worker_processes 1;
events {{}}
http {{
    access_log off;
    client_body_temp_path {folder}/body;
    proxy_temp_path {folder}/proxy;
    fastcgi_temp_path {folder}/fastcgi;
    uwsgi_temp_path {folder}/uwsgi;
    scgi_temp_path {folder}/scgi;
{inside}
}}
"""


def nginx_command(folder: Path, inside: str) -> list[str]:
    """Write the settings around the contents of an `http` block; the command that runs nginx with them."""
    file = folder / "nginx.conf"
    file.write_text(_AROUND.format(user=getpass.getuser(), folder=folder, inside=inside))
    return [shutil.which("nginx") or "/usr/sbin/nginx", "-p", str(folder), "-c", str(file)]
