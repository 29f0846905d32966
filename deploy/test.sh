#!/bin/sh
# Pass the tests: install what they need, then style, types, layers, and every test with coverage.
# sh deploy/test.sh --full     adds the long repetitions; other options go to pytest.
set -eu
cd "$(dirname "$0")/.."
sh deploy/setup.sh test
bin=.venv/bin

say() { printf 'tallydeck: %s\n' "$*" >&2; }

missing=
if ! command -v chromium >/dev/null 2>&1; then
    say "installing Debian's chromium for the tests of the board"
    if [ "$(id -u)" = 0 ]; then root=; else root="sudo -n"; fi
    # shellcheck disable=SC2086
    { $root apt-get update -qq && $root apt-get install -y -qq --no-install-recommends chromium fonts-dejavu-core; } \
        >/dev/null 2>&1 || missing=chromium
fi

status=0
step() { "$@" || { status=1; say "FAILED: $*"; }; }
step "$bin/ruff" check .
step "$bin/ruff" format --check .
step "$bin/mypy"
step "$bin/lint-imports"
step "$bin/python" -m pytest --cov --cov-report=term:skip-covered "$@"
[ -z "$missing" ] || say "NOT RUN: the tests in tests/browser, since chromium could not be installed"
exit $status
