#!/bin/sh
# Pass the tests: install what they need, then style, types, layers, and every test.
# sh deploy/test.sh --full     adds the long repetitions; other options go to pytest (--cov for coverage).
set -eu
cd "$(dirname "$0")/.."
sh deploy/setup.sh test
bin=.venv/bin

say() { printf 'tallydeck: %s\n' "$*" >&2; }

missing=$(sh deploy/packages.sh) || say "FAILED: deploy/packages.sh"

status=0
step() { "$@" || { status=1; say "FAILED: $*"; }; }
step "$bin/ruff" check .
step "$bin/ruff" format --check .
step "$bin/mypy"
step "$bin/lint-imports"
# Many tests speak real protocols on real wires, against the clock: they wait half of their time, so there are two
# processes a core. What failed beside others is run once more, alone.
workers=$(($(getconf _NPROCESSORS_ONLN) * 2))
"$bin/python" -m pytest -n "$workers" "$@" || {
    say "once more, one after the other: what failed"
    step "$bin/python" -m pytest -n 0 --last-failed --last-failed-no-failures none "$@"
}
command -v systemd-analyze >/dev/null 2>&1 ||
    say "systemd is not here: the service's files were not checked by its own tools"
for package in $missing; do
    case $package in
    mosquitto) what="what speaks to a broker (tests/followers/mqtt, tests/ports/test_mqtt.py, tests/app/test_by_mqtt.py, ...)" ;;
    victoria-metrics) what="what writes to VictoriaMetrics" ;;
    influxdb | nginx-light) what="what writes to an InfluxDB engine" ;;
    prometheus) what="the check of /metrics by promtool" ;;
    openssl) what="what makes certificates" ;;
    *) what="tests/browser, in full or in part: it fails" ;;
    esac
    say "LEFT OUT: $what; $package could not be installed"
done
exit $status
