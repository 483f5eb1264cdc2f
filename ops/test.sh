#!/usr/bin/env bash
# Everything that must hold: format, lint, types, tests, and the wheel in an environment of its own.
#   bash ops/test.sh            all
#   bash ops/test.sh -k spool   further words go to pytest, and only the tests run
# Installs what it needs: Python packages from the lock, and Mosquitto from the system's packages.
set -euo pipefail
. "$(dirname "$0")/environment.sh"
cd "$root"

PATH="$PATH:/usr/sbin"
make_environment
need_program mosquitto mosquitto
need_library libpangoft2-1.0-0 libpangoft2-1.0.so

export OPENBLAS_NUM_THREADS=1
if [ $# -gt 0 ]; then
    exec python -m pytest "$@"
fi

say "Format and lint"
ruff format --check .
ruff check .
say "Types"
mypy
say "Tests"
python -m pytest
say "The wheel, in an environment of its own outside the checkout"
bash ops/test_wheel.sh
say "All passed"
