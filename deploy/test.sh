#!/bin/sh
# Installs what the tests need, then passes them: style, types, imports, tests. Arguments go to pytest.
set -eu
cd "$(dirname "$0")/.."

missing=""
command -v mosquitto >/dev/null 2>&1 || [ -x /usr/sbin/mosquitto ] || missing="$missing mosquitto"
command -v influxd >/dev/null 2>&1 || missing="$missing influxdb"
command -v nginx >/dev/null 2>&1 || [ -x /usr/sbin/nginx ] || missing="$missing nginx-light"
command -v chromium >/dev/null 2>&1 || missing="$missing chromium"
command -v postgres >/dev/null 2>&1 || ls /usr/lib/postgresql/*/bin/postgres >/dev/null 2>&1 || missing="$missing postgresql"
if [ -n "$missing" ]; then
  if command -v apt-get >/dev/null 2>&1 && [ "$(id -u)" = 0 ]; then
    echo "Installing$missing"
    apt-get update -qq
    # shellcheck disable=SC2086  # a list of names
    DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing >/dev/null
  else
    echo "The tests need$missing. Debian, Ubuntu: sudo apt-get install$missing" >&2
    exit 1
  fi
fi
sh deploy/env.sh test

.venv/bin/ruff check .
.venv/bin/ruff format --check .
.venv/bin/mypy
.venv/bin/lint-imports
if [ $# -gt 0 ]; then
  exec .venv/bin/python -m pytest "$@"
fi
# Two parts at once, for machines of two cores; what the second says follows when both are done.
part="" others=""
for folder in faults forecast ingest reference simulator; do
  part="$part tests/$folder"
  others="$others --ignore=tests/$folder"
done
said=$(mktemp)
trap 'rm -f "$said"' EXIT
# shellcheck disable=SC2086  # lists of names
.venv/bin/python -m pytest $part >"$said" 2>&1 &
second=$!
trap 'kill "$second" 2>/dev/null; exit 130' INT TERM
failed=0
# shellcheck disable=SC2086
.venv/bin/python -m pytest $others || failed=$?
wait "$second" || failed=$?
cat "$said"
exit "$failed"
