#!/usr/bin/env sh
# Installs what the tests need (Chromium too, where the system's package manager is at hand) and passes them.
set -eu
cd "$(dirname "$0")/.."

[ -x .venv/bin/python ] || "${PYTHON:-python3}" -m venv .venv
.venv/bin/python -m pip install --quiet --editable '.[dev]'

if ! command -v chromium >/dev/null 2>&1 && command -v apt-get >/dev/null 2>&1; then
    as_root=""
    [ "$(id -u)" -eq 0 ] || as_root="sudo"
    $as_root apt-get update -qq && $as_root apt-get install -y -qq chromium >/dev/null \
        || echo "Chromium could not be installed: the browser tests will be left out."
fi

# two workers: the units, pages, bad inputs, kills and outside checks; then the browser by itself
.venv/bin/python -m pytest -n 2 -m "not browser and not study" "$@"
.venv/bin/python -m pytest -m browser "$@"
