#!/usr/bin/env bash
# Take away what install.sh has put here. Settings and what was logged stay, unless --purge.
#
#   sudo systemd/uninstall.sh [--dry-run] [--purge]
#
# A virtual environment given with --venv, and Debian packages, are left alone. May be run again.
set -euo pipefail

root=${DESTDIR-}
dry='' purge=''

say() { printf 'uninstall.sh: %s\n' "$*"; }
run() {
    if [ "$dry" ]; then printf '+ %s\n' "$*"; else "$@"; fi
}

while [ $# -gt 0 ]; do
    case $1 in
        --dry-run) dry=yes ;;
        --purge) purge=yes ;;
        -h | --help) sed -n '2,6s/^# \{0,1\}//p' "$0"; exit ;;
        *) say "what is $1? See $0 --help" >&2; exit 1 ;;
    esac
    shift
done
if [ -z "$dry" ] && [ -z "$root" ] && [ "$(id -u)" != 0 ]; then
    say "run me as root: sudo $0" >&2
    exit 1
fi

for unit in pedal.service pedal-synth.service; do
    file=$root/etc/systemd/system/$unit
    [ -e "$file" ] || continue
    [ "$root" ] || run systemctl --quiet disable --now "$unit"
    run rm "$file"
done
if [ -z "$root" ]; then
    run systemctl daemon-reload
    run systemctl --quiet reset-failed pedal.service pedal-synth.service 2>/dev/null || true
fi
[ ! -e "$root/opt/pedal/pyvenv.cfg" ] || run rm -r "$root/opt/pedal"
if [ "$purge" ]; then
    for folder in "$root/etc/pedal" "$root/var/lib/pedal" "$root/var/lib/private/pedal"; do
        [ ! -e "$folder" ] || run rm -r "$folder"
    done
    if [ -z "$root" ] && getent passwd pedal >/dev/null; then
        run userdel pedal
    fi
else
    say "kept: $root/etc/pedal, $root/var/lib/pedal and the user pedal (--purge takes them too)"
fi
