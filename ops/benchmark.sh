#!/usr/bin/env bash
# What the station does in a second beside what its parts can do at best, in one run on one machine.
#   bash ops/benchmark.sh           about three minutes
#   bash ops/benchmark.sh --quick   a tenth of the size, less than a minute
# Prints ratios; there is nothing that it could fail. Installs what it needs, as ops/test.sh does.
set -euo pipefail
. "$(dirname "$0")/environment.sh"
cd "$root"

PATH="$PATH:/usr/sbin"
make_environment
need_program mosquitto mosquitto

# Kernels chosen by hand for one machine would make two runs incomparable.
unset OPENBLAS_CORETYPE OPENBLAS_L2_SIZE
export OPENBLAS_NUM_THREADS=1
exec python ops/benchmark/main.py "$@"
