#!/bin/sh
# Everything on invented sites: makes the environment, then runs the demonstration until Ctrl-C.
# Arguments are handed on: sh deploy/start.sh --port 8080
set -eu
cd "$(dirname "$0")/.."
sh deploy/env.sh run
exec .venv/bin/ullage demo "$@"
