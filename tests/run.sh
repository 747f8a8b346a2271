#!/usr/bin/env bash
# Installs what the tests need into ./.venv and runs them all: lint, types, tests.
set -euo pipefail
cd "$(dirname "$0")/.."

need() { # need <command> <Debian package>: install it, or say what is missing
  command -v "$1" >/dev/null 2>&1 && return
  if command -v apt-get >/dev/null 2>&1; then
    local as_root=()
    if [ "$(id -u)" -ne 0 ]; then
      command -v sudo >/dev/null 2>&1 || { echo "missing: $1. Install Debian's package '$2' as root, then run this again." >&2; exit 1; }
      as_root=(sudo)
    fi
    "${as_root[@]}" apt-get update -qq && "${as_root[@]}" apt-get install -y -qq "$2" >/dev/null \
      || { echo "missing: $1, and Debian's package '$2' could not be installed." >&2; exit 1; }
  else
    echo "missing: $1. Install it (Debian's package is '$2'), then run this again." >&2; exit 1
  fi
}

need python3 python3
python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "Python 3.11 or newer is needed; this is $(python3 --version)." >&2; exit 1; }
python3 -c 'import ensurepip, venv' 2>/dev/null || need a-python-with-venv python3-venv
PATH="$PATH:/usr/sbin" # where Debian keeps mosquitto, and a user's PATH does not look
need mosquitto mosquitto
need openssl openssl
need chromium chromium
need pdfinfo poppler-utils

[ -x .venv/bin/python ] || python3 -m venv .venv
.venv/bin/python -m pip install --quiet --disable-pip-version-check -e '.[test]'

.venv/bin/ruff check .
.venv/bin/ruff format --check .
.venv/bin/mypy
OPENBLAS_NUM_THREADS=1 exec .venv/bin/python -P -m pytest -n auto --maxprocesses 4 --dist loadfile --no-loadscope-reorder "$@"
