#!/usr/bin/env bash
# Builds the wheel, installs it in a fresh environment outside the checkout, and tests it there.
set -euo pipefail
. "$(dirname "$0")/environment.sh"
make_environment

away=$(mktemp -d)
trap 'rm -rf "$away"' EXIT
(cd "$root" && python -m build --quiet --wheel --no-isolation --outdir "$away" . >/dev/null)
python -m venv "$away/venv"
# The packages come from the lock's environment: a wheel is tested against what was locked.
packages=$(python -c 'import sysconfig; print(sysconfig.get_path("purelib"))')
mkdir "$away/packages"
for entry in "$packages"/*; do
    case ${entry##*/} in
    *spanwarden* | _editable* | __editable__*) ;;
    *) ln -s "$entry" "$away/packages/" ;;
    esac
done
echo "$away/packages" >"$("$away/venv/bin/python" -c 'import sysconfig; print(sysconfig.get_path("purelib"))')/locked.pth"
"$away/venv/bin/pip" install --quiet --no-index --no-deps "$away"/*.whl
cp -r "$root/tests" "$root/ops" "$root/config" "$root/sample-streams" "$root/pyproject.toml" "$away/"
cd "$away"
"$away/venv/bin/spanwarden" --version
"$away/venv/bin/spanwarden" check --site config/quillmere >/dev/null
SPANWARDEN_WHEEL="$away/venv" "$away/venv/bin/python" -m pytest tests/wheel tests/site tests/station/test_end_to_end.py
