"""
Recovery of the simulator's truth in eight cases, counted over independent gauges and benches.

  bash ops/coverage.sh [--quick]
"""

from __future__ import annotations

import argparse
import time

from ops.coverage.counting import GOAL, MOST_BIAS, WITHIN
from ops.coverage.runs import outcomes
from ops.coverage.show import lines

GAUGES, QUICK = 500, 40


def main() -> int:
    """Prints the table; 1 if a case of the full run misses what has to be shown."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help=f"{QUICK} gauges instead of {GAUGES}")
    options = parser.parse_args()
    count = QUICK if options.quick else GAUGES
    begun = time.monotonic()
    found = outcomes(range(1, count + 1))
    print(f"Coverage of 2u, u = U95/2, over {count} benches of three gauges by three runs, each")
    print("with another gauge of its batch in each case; one reading a gauge. Strains in µm/m.")
    print("\n".join(lines(found)))
    print(f"{(time.monotonic() - begun) / 60.0:.1f} minutes")
    missed = [one.name for one in found if not one.is_met]
    if options.quick:
        print(f"{count} gauges tell the coverage to ±7 points only: this decides nothing.")
        return 0
    print(
        f"Wanted: {100 * GOAL:.0f} ± {100 * WITHIN:.0f} %, bias within {MOST_BIAS:g} u. "
        + (f"Missed: {', '.join(missed)}." if missed else "All eight are met.")
    )
    return 1 if missed else 0


if __name__ == "__main__":
    raise SystemExit(main())
