#!/bin/sh
# Make or renew the environment .venv from a lock file: sh deploy/env.sh run|test
# Does nothing when it is up to date. Needs Python 3.11 or newer with venv, and the package index that pip knows.
set -eu
cd "$(dirname "$0")/.."
set="${1:?run or test}"
lock="deploy/lock/$set.txt"

python=""
for candidate in ${PYTHON:-} python3 python3.14 python3.13 python3.12 python3.11; do
  if "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; then
    python="$candidate"
    break
  fi
done
if [ -z "$python" ]; then
  echo "Python 3.11 or newer is needed and was not found. Debian, Ubuntu: apt-get install python3 python3-venv" >&2
  exit 1
fi
if ! "$python" -c 'import venv, ensurepip' >/dev/null 2>&1; then
  echo "Python's venv module is missing. Debian, Ubuntu: apt-get install python3-venv" >&2
  exit 1
fi

# The stamp tells what the environment was made from; "test" holds all that "run" does.
stamp=.venv/ullage-stamp
want="$(cat "$lock" pyproject.toml | cksum) $set"
test_want="$(cat deploy/lock/test.txt pyproject.toml | cksum) test"
have="$(cat "$stamp" 2>/dev/null || true)"
if [ -x .venv/bin/ullage ] && { [ "$have" = "$want" ] || [ "$have" = "$test_want" ]; }; then
  exit 0
fi

echo "Making the environment .venv with $("$python" --version); this takes a minute or two."
[ -x .venv/bin/python ] || "$python" -m venv .venv
.venv/bin/python -m pip install --quiet --disable-pip-version-check --require-hashes -r "$lock"
.venv/bin/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation --no-index -e .
echo "$want" >"$stamp"
