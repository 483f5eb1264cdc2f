#!/usr/bin/env bash
# Does the stated uncertainty cover the simulated truth? Eight cases, counted over gauges.
#   bash ops/coverage.sh           500 benches and 500 gauges a case, about a quarter of an hour
#   bash ops/coverage.sh --quick   40 of each, about a minute and a half; decides nothing
# Fails if a case misses 95 ± 2 % or its bias a tenth of u. Installs as ops/test.sh does.
set -euo pipefail
. "$(dirname "$0")/environment.sh"
cd "$root"
make_environment

# Small arrays: threads of the linear algebra would only wait for each other.
export OPENBLAS_NUM_THREADS=1 OMP_NUM_THREADS=1
exec python -m ops.coverage.main "$@"
