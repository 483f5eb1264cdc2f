#!/usr/bin/env bash
# Writes tests/CHECKS.md again: published check values beside ours.
#   bash ops/checks.sh
# Look at the difference before you commit it: a row that changed is a result that changed.
set -euo pipefail
. "$(dirname "$0")/environment.sh"
cd "$root"
make_environment
export OPENBLAS_NUM_THREADS=1
exec python -m tests.checks.table
