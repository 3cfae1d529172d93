#!/bin/sh
# Renew the lock files: every version with its hashes, for Python 3.11 and newer on every platform, no index address.
# Needs uv, and pyproject.toml as it should be.  sh deploy/lock/lock.sh [--upgrade]
set -eu
cd "$(dirname "$0")/../.."
resolve() {
  uv pip compile pyproject.toml --universal --python-version 3.11 --generate-hashes --no-annotate \
    --custom-compile-command "sh deploy/lock/lock.sh" --quiet "$@"
}
resolve --extra postgres --group build --group test --output-file deploy/lock/test.txt
resolve --extra postgres --group build --constraints deploy/lock/test.txt --output-file deploy/lock/run.txt
