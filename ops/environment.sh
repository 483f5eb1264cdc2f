# Sourced by the other scripts: makes the environment in .state/venv from the lock, once.
# Needs Python 3.11 or newer with pip and venv; says what is missing and what to do.

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
state=${SPANWARDEN_STATE:-"$root/.state"}
venv="$state/venv"
export PIP_DISABLE_PIP_VERSION_CHECK=1

say() { printf '\n== %s\n' "$*"; }

find_python() {
    local candidate
    for candidate in "${PYTHON:-}" python3.11 python3.12 python3.13 python3; do
        [ -n "$candidate" ] || continue
        if "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            echo "$candidate"
            return
        fi
    done
    echo "Python 3.11 or newer is needed and was not found. Install it (Debian: apt-get install" \
        "python3 python3-venv), or name it: PYTHON=/path/to/python3.11 bash $0" >&2
    exit 3
}

# make_environment: all that the lock names, and this checkout, editable.
make_environment() {
    local python stamp
    python=$(find_python) || exit 3
    stamp=$(cat "$root/requirements.lock" "$root/pyproject.toml" | sha256sum | cut -d' ' -f1)
    if [ "$(cat "$venv/stamp" 2>/dev/null)" != "$stamp" ]; then
        say "Making the environment in ${venv#"$root"/} (once; about a minute)"
        rm -rf "$venv"
        mkdir -p "$state"
        if ! "$python" -m venv "$venv"; then
            echo "The venv module is missing. Debian: apt-get install python3-venv" >&2
            exit 3
        fi
        "$venv/bin/python" -m pip install -qq --require-hashes -r "$root/requirements.lock" ||
            { echo "The packages of requirements.lock could not be installed: see above." >&2; exit 3; }
        "$venv/bin/python" -m pip install -qq --no-deps --no-build-isolation --editable "$root" ||
            { echo "Spanwarden itself could not be installed: see above." >&2; exit 3; }
        echo "$stamp" >"$venv/stamp"
    fi
    export PATH="$venv/bin:$PATH"
}

# need_library PACKAGE FILE: install a Debian package with the shared library FILE.
need_library() {
    ldconfig -p | grep -q "$2" && return
    need_program "no-such-program-$1" "$1"
}

# need_program NAME PACKAGE: install a Debian package when the program is missing.
need_program() {
    command -v "$1" >/dev/null && return
    say "Installing $2"
    local root_do=""
    [ "$(id -u)" = 0 ] || root_do=sudo
    $root_do apt-get update -qq &&
        DEBIAN_FRONTEND=noninteractive $root_do apt-get install -y -qq --no-install-recommends "$2" >/dev/null ||
        { echo "Could not install $2. Install it by hand and run this again." >&2; exit 3; }
}
