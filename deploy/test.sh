#!/bin/sh
# Pass the tests: install what they need, then style, types, layers, and every test.
# sh deploy/test.sh --full     adds the long repetitions; other options go to pytest (--cov for coverage).
set -eu
cd "$(dirname "$0")/.."
sh deploy/setup.sh test
bin=.venv/bin

say() { printf 'tallydeck: %s\n' "$*" >&2; }

# The tests of the board need Chromium, and the browser driver's own runtime a library; those of MQTT a broker.
packages=
command -v chromium >/dev/null 2>&1 || packages="chromium fonts-dejavu-core"
/sbin/ldconfig -p 2>/dev/null | grep -q 'libatomic\.so\.1' || packages="$packages libatomic1"
has_broker() { PATH="$PATH:/usr/sbin" command -v mosquitto >/dev/null 2>&1; }
has_broker || packages="$packages mosquitto"
command -v openssl >/dev/null 2>&1 || packages="$packages openssl"
missing=
if [ -n "$packages" ]; then
    say "installing Debian's $packages for the tests of the board and of MQTT"
    if [ "$(id -u)" = 0 ]; then root=; else root="sudo -n"; fi
    # shellcheck disable=SC2086
    { $root apt-get update -qq && $root apt-get install -y -qq --no-install-recommends $packages; } \
        >/dev/null 2>&1 || missing=$packages
fi

status=0
step() { "$@" || { status=1; say "FAILED: $*"; }; }
step "$bin/ruff" check .
step "$bin/ruff" format --check .
step "$bin/mypy"
step "$bin/lint-imports"
# Many tests speak real protocols on real wires, against the clock. What failed beside others is run once more, alone.
"$bin/python" -m pytest -n auto "$@" || {
    say "once more, one after the other: what failed"
    step "$bin/python" -m pytest -n 0 --last-failed --last-failed-no-failures none "$@"
}
command -v systemd-analyze >/dev/null 2>&1 ||
    say "systemd is not here: the service's files were not checked by its own tools; nothing else is left out"
[ -z "$missing" ] || say "NOT INSTALLED: $missing; what needs them is left out or fails (tests/browser: all but mosquitto)"
has_broker || say "LEFT OUT: tests/ports/test_mqtt.py and tests/app/test_by_mqtt.py; mosquitto is not installed"
exit $status
