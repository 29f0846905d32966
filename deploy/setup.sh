#!/bin/sh
# Make an environment of its own in .venv and install Tallydeck into it, locked to hashes.
# Usage: sh deploy/setup.sh [test]      "test" adds what the tests need.
# A second call does nothing unless a lock has changed.
set -eu
cd "$(dirname "$0")/.."
what=${1:-run}
venv=.venv

say() { printf 'tallydeck: %s\n' "$*" >&2; }

as_root() {
    if [ "$(id -u)" = 0 ]; then "$@"
    elif command -v sudo >/dev/null 2>&1 && sudo -n true 2>/dev/null; then sudo "$@"
    else return 1
    fi
}

python=
for candidate in python3.14 python3.13 python3.12 python3.11 python3; do
    if command -v "$candidate" >/dev/null 2>&1 &&
        "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
        python=$candidate
        break
    fi
done
if [ -z "$python" ]; then
    say "Python 3.11 or newer is needed and was not found; on Debian or Ubuntu: apt-get install python3"
    exit 69
fi

if ! [ -x "$venv/bin/python" ] || ! "$venv/bin/python" -m pip --version >/dev/null 2>&1; then
    rm -rf "$venv"
    if ! "$python" -m venv "$venv" >/dev/null 2>&1; then
        say "this Python has no venv module; installing Debian's"
        rm -rf "$venv"
        version=$("$python" -c 'import sys; print("%d.%d" % sys.version_info[:2])')
        if ! { as_root apt-get update -qq && { as_root apt-get install -y -qq "python$version-venv" ||
            as_root apt-get install -y -qq python3-venv; }; } >/dev/null 2>&1 ||
            ! "$python" -m venv "$venv"; then
            say "an environment could not be made; run: apt-get install python3-venv   and try again"
            exit 69
        fi
    fi
fi

locks=deploy/requirements.lock
[ "$what" != test ] || locks="$locks deploy/requirements-test.lock"
# shellcheck disable=SC2086
state=$(cat pyproject.toml $locks | cksum)
if [ "$(cat "$venv/installed-$what" 2>/dev/null)" != "$state" ]; then
    say "installing into $venv (once)"
    for lock in $locks; do
        "$venv/bin/python" -m pip install -q --disable-pip-version-check --require-hashes -r "$lock"
    done
    "$venv/bin/python" -m pip install -q --disable-pip-version-check --no-deps --no-build-isolation -e .
    printf '%s\n' "$state" >"$venv/installed-$what"
fi
