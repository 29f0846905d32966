#!/bin/sh
# Install what the tests need of Debian's packages and is not there yet. What is installed here is neither
# started nor started at the next boot: the tests start servers of their own, on ports of their own.
# Prints the packages that could not be had, one a line.
set -eu

root=${TALLYDECK_ROOT:-} # another root than /, for the test of this script
policy=$root/usr/sbin/policy-rc.d

say() { printf 'tallydeck: %s\n' "$*" >&2; }
has() { PATH="$PATH:/usr/sbin:/usr/local/sbin" command -v "$1" >/dev/null 2>&1; }
as_root() { if [ "$(id -u)" = 0 ]; then "$@"; else sudo -n "$@"; fi; }

# The board's tests need Chromium, and the browser driver's own runtime a library; the links' tests need servers,
# /metrics its checker, a report in PDF what draws its letters and what reads it back.
packages=
has chromium || packages="chromium fonts-dejavu-core"
/sbin/ldconfig -p 2>/dev/null | grep -q 'libatomic\.so\.1' || packages="$packages libatomic1"
has openssl || packages="$packages openssl"
has mosquitto || packages="$packages mosquitto"
has victoria-metrics || packages="$packages victoria-metrics"
has influxd || packages="$packages influxdb"
has nginx || packages="$packages nginx-light"
has promtool || packages="$packages prometheus"
has pdftotext || packages="$packages poppler-utils"
for library in libpango-1.0.so.0=libpango-1.0-0 libpangoft2-1.0.so.0=libpangoft2-1.0-0 \
    libharfbuzz-subset.so.0=libharfbuzz-subset0; do
    /sbin/ldconfig -p 2>/dev/null | grep -q "${library%=*}" || packages="$packages ${library#*=}"
done
[ -n "$packages" ] || exit 0
say "installing Debian's $packages for the tests"

# Debian starts a service as soon as it is installed, unless this file says no (101). One that is there stays.
ours=
if as_root true 2>/dev/null && ! [ -e "$policy" ]; then
    trap 'as_root rm -f "$policy"' EXIT
    trap 'exit 130' INT TERM
    printf '#!/bin/sh\nexit 101\n' | as_root tee "$policy" >/dev/null
    as_root chmod 0755 "$policy"
    ours=yes
fi

as_root apt-get update -qq >/dev/null 2>&1 || true
for package in $packages; do
    # one by one: where one is unknown the others are installed all the same
    if ! as_root apt-get install -y -qq --no-install-recommends "$package" </dev/null >/dev/null 2>&1; then
        printf '%s\n' "$package"
        continue
    fi
    case $package in
    mosquitto | victoria-metrics | influxdb | prometheus) service=$package ;;
    nginx-light) service=nginx ;;
    *) continue ;;
    esac
    if [ -n "$ours" ] && has systemctl; then as_root systemctl disable -q "$service" >/dev/null 2>&1 || true; fi
done
