#!/usr/bin/env bash
# The main job on a fresh machine: embedded broker, simulator, station, archive, alarms.
#   bash ops/demo.sh          runs for about a minute and cleans up after itself
#   bash ops/demo.sh --keep   leaves broker, station and simulator running, and says how to end them
# Needs Python 3.11 with pip and venv; everything else is installed into .state/.
set -euo pipefail
. "$(dirname "$0")/environment.sh"
cd "$root"
make_environment
exec python ops/demo.py "$@"
