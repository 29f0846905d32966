#!/bin/sh
# Install Tallydeck as a systemd service, or bring an installed one up to this checkout. Needs root.
#
#   sudo sh deploy/service.sh             install or update; a second call changes nothing that is right already
#   sudo sh deploy/service.sh --remove    take the service away; the record and the configuration stay
#
# What it puts where:
#   /opt/tallydeck                        the program, in an environment of its own, locked to hashes
#   /usr/local/bin/tallydeck              a link to it
#   /etc/tallydeck/bay.toml               the configuration: an example at first, never overwritten
#   /etc/systemd/system, /etc/sysusers.d, /etc/udev/rules.d      the files of deploy/systemd
#   /var/lib/tallydeck                    the record (made by the service itself)
# It makes the user "tallydeck" and, where it is missing, the group "dialout", which owns serial ports.
set -eu
cd "$(dirname "$0")/.."

root=${TALLYDECK_ROOT:-} # another root than /: to prepare a disk's image; nothing is started then
home=$root/opt/tallydeck
settings=$root/etc/tallydeck/bay.toml
unit=$root/etc/systemd/system/tallydeck.service
users=$root/etc/sysusers.d/tallydeck.conf
rules=$root/etc/udev/rules.d/70-tallydeck.rules
link=$root/usr/local/bin/tallydeck

say() { printf 'tallydeck: %s\n' "$*" >&2; }

case ${1:-} in
'' | --remove) ;;
-h | --help)
    sed -n '2,/^set -eu/s/^# \{0,1\}//p' deploy/service.sh
    exit 0
    ;;
*)
    say "$1 is no option; there is only --remove (and --help)"
    exit 64
    ;;
esac
if [ "$(id -u)" != 0 ]; then
    say "a service is installed by root, and this is $(id -un); run: sudo sh deploy/service.sh ${1:-}"
    exit 77
fi

running() { [ -z "$root" ] && [ -d /run/systemd/system ]; } # systemd is there and is to be told

# put SOURCE TARGET: copy where it differs; true where it did
put() {
    ! cmp -s "$1" "$2" || return 1
    mkdir -p "$(dirname "$2")"
    install -m 0644 "$1" "$2"
    say "wrote $2"
}

reload_rules() {
    if running && command -v udevadm >/dev/null 2>&1; then
        udevadm control --reload && udevadm trigger --subsystem-match=tty
    fi
}

remove() {
    if running; then systemctl disable --now tallydeck.service 2>/dev/null || true; fi
    rm -f "$unit" "$users" "$rules" "$link"
    rm -rf "$home"
    if running; then systemctl daemon-reload; fi
    reload_rules
    say "removed. Kept: the record in $root/var/lib/tallydeck, the configuration in $root/etc/tallydeck, the user"
}

if [ "${1:-}" = --remove ]; then
    remove
    exit 0
fi

# One that lives in somebody's home would not be there for the service, which sees no homes.
fit='import sys, venv, ensurepip
sys.exit(sys.version_info < (3, 11) or sys.base_prefix.startswith(("/home/", "/root/")))'
python=
for candidate in python3.14 python3.13 python3.12 python3.11 python3 /usr/bin/python3; do
    if command -v "$candidate" >/dev/null 2>&1 && "$candidate" -c "$fit" 2>/dev/null; then
        python=$candidate
        break
    fi
done
if [ -z "$python" ]; then
    say "the system's Python 3.11 or newer with venv is needed (not one in a home, which the service can't see);"
    say "on Debian or Ubuntu: apt-get install python3-venv"
    exit 69
fi

# The program. Its state names what it was made from: Python, locks and sources.
state=$({
    "$python" -c 'import sys; print(sys.version, sys.base_prefix)'
    find pyproject.toml README.md deploy/requirements.lock logger config -type f ! -name '*.pyc' -exec cksum {} + |
        sort -k 3
} | cksum)
changed=
if [ "$(cat "$home/installed" 2>/dev/null)" != "$state" ]; then
    say "installing the program into $home (some minutes on a small computer)"
    # beside the old one, which runs until the new one is whole
    rm -rf "$home.new"
    mkdir -p "$home.new"
    "$python" -m venv "$home.new/venv"
    pip="$home.new/venv/bin/python -m pip --disable-pip-version-check install -q"
    $pip --require-hashes -r deploy/requirements.lock
    $pip --no-deps --no-build-isolation .
    install -m 0644 README.md "$home.new/README.md"
    # the environment's scripts name their place; they are to run from the last one
    place=${home#"$root"}
    grep -rIl "$home.new" "$home.new/venv/bin" "$home.new/venv/pyvenv.cfg" | while read -r file; do
        sed -i "s#$home.new#$place#g" "$file"
    done
    printf '%s\n' "$state" >"$home.new/installed"
    rm -rf "$home.old"
    if [ -e "$home" ]; then mv "$home" "$home.old"; fi
    mv "$home.new" "$home"
    rm -rf "$home.old"
    changed=yes
fi
mkdir -p "$(dirname "$link")"
ln -sfn "${home#"$root"}/venv/bin/tallydeck" "$link"

# The user and its groups.
if put deploy/systemd/tallydeck.sysusers.conf "$users"; then changed=yes; fi
if command -v systemd-sysusers >/dev/null 2>&1; then
    systemd-sysusers ${root:+"--root=$root"} "$users"
elif [ -z "$root" ]; then
    getent group dialout >/dev/null || groupadd --system dialout
    getent passwd tallydeck >/dev/null ||
        useradd --system --user-group --no-create-home --home-dir /var/lib/tallydeck \
            --shell /usr/sbin/nologin --groups dialout tallydeck
fi

# The configuration: an example at first, with the record's place; a person's own is left alone.
first=
if ! [ -e "$settings" ]; then
    first=yes
    mkdir -p "$(dirname "$settings")"
    {
        grep -v '^#:schema' config/one-scale.toml
        printf '\n[journal]\ndirectory = "/var/lib/tallydeck" # the service may write here and nowhere else\n'
    } >"$settings"
    chmod 0640 "$settings"
    chgrp "$(sed -n 's/^tallydeck:[^:]*:\([0-9]*\):.*/\1/p' "$root/etc/group")" "$settings"
    say "wrote $settings, an example: change it to your bay"
fi

if put deploy/systemd/70-tallydeck.rules "$rules"; then reload_rules; fi
if put deploy/systemd/tallydeck.service "$unit"; then changed=yes; fi
if ! running; then
    say "systemd does not run here: nothing was started"
    exit 0
fi
systemctl daemon-reload
systemctl enable -q tallydeck.service
if [ -n "$first" ]; then
    say "next: edit $settings"
    say "      sudo -u tallydeck tallydeck check $settings --probe"
    say "      systemctl start tallydeck; journalctl -u tallydeck -f"
elif [ -n "$changed" ]; then
    if fault=$(setpriv --reuid=tallydeck --regid=tallydeck --init-groups "$link" check "$settings" 2>&1); then
        systemctl restart tallydeck.service
        say "restarted; look: systemctl status tallydeck"
    else
        printf '%s\n' "$fault" >&2
        say "the configuration is not right for this version: NOT restarted, put it right and run this again"
        exit 78
    fi
else
    say "everything is in place already"
fi
