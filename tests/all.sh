#!/usr/bin/env sh
# Installs what the tests need (Chromium and R's survival too, where the system's package manager is at hand) and passes them.
set -eu
cd "$(dirname "$0")/.."

[ -x .venv/bin/python ] || "${PYTHON:-python3}" -m venv .venv
.venv/bin/python -m pip install --quiet --editable '.[dev]'

# install PACKAGE [OPTION]: with the system's package manager; without it the tests that need it say why they are left out
install() {
    as_root=""
    [ "$(id -u)" -eq 0 ] || as_root="sudo"
    command -v apt-get >/dev/null 2>&1 \
        && $as_root apt-get update -qq \
        && $as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq "$@" >/dev/null \
        || echo "$1 could not be installed: the tests that need it will be left out."
}

command -v chromium >/dev/null 2>&1 || install chromium
# what R's survival makes of real data is the measure of our own figures
command -v Rscript >/dev/null 2>&1 || install r-cran-survival --no-install-recommends

# two workers: the units, pages, bad inputs, kills and outside checks; then the browser by itself
.venv/bin/python -m pytest -n 2 -m "not browser and not study" "$@"
.venv/bin/python -m pytest -m browser "$@"
