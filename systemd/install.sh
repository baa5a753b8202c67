#!/usr/bin/env bash
# Install the pedal as a service that starts with the box (Raspberry Pi OS on Debian 12 or 13).
#
#   sudo systemd/install.sh [--dry-run] [--venv DIR] [--no-synth]
#
#   --dry-run    print what would be done, and do nothing
#   --venv DIR   use this virtual environment, which has the pedal in it already
#   --no-synth   no software synth: a hardware one is connected
#
# May be run again at any time, also to upgrade: settings are never overwritten. With DESTDIR set
# only files are laid out, beneath that folder: no packages, no user, nothing started.
set -euo pipefail

here=$(cd "$(dirname "$0")" && pwd)
project=$(dirname "$here")
root=${DESTDIR-}
venv=/opt/pedal own_venv=yes synth=yes dry=

say() { printf 'install.sh: %s\n' "$*"; }
fail() { say "$*" >&2; exit 1; }
run() {
    if [ "$dry" ]; then printf '+ %s\n' "$*"; else "$@"; fi
}

while [ $# -gt 0 ]; do
    case $1 in
        --dry-run) dry=yes ;;
        --venv) [ $# -gt 1 ] || fail "--venv needs a folder"; venv=$2 own_venv=; shift ;;
        --no-synth) synth= ;;
        -h | --help) sed -n '2,11s/^# \{0,1\}//p' "$0"; exit ;;
        *) fail "what is $1? See $0 --help" ;;
    esac
    shift
done
[ "$dry" ] || [ "$root" ] || [ "$(id -u)" = 0 ] || fail "run me as root: sudo $0"

if [ -z "$own_venv" ]; then
    [ -d "$venv" ] || fail "there is no folder $venv"
    venv=$(cd "$venv" && pwd)
    [ -x "$venv/bin/pedal" ] || fail "$venv has no bin/pedal: install the pedal into it first"
    case $venv/ in
        /home/* | /root/* | /run/user/* | /tmp/* | /var/tmp/*)
            [ "$root" ] || fail "the service may not look into $venv: put the environment elsewhere, /opt for example" ;;
    esac
fi

# ---- packages ---------------------------------------------------------------------------

new_python() { python3 -c 'import sys; sys.exit(sys.version_info < (3, 13))' 2>/dev/null; }
has_module() { python3 -c "import importlib.util as u, sys; sys.exit(not u.find_spec('$1'))" 2>/dev/null; }

packages=()
if [ -z "$root" ]; then
    if [ "$own_venv" ]; then
        python3 -c 'import ensurepip, venv' 2>/dev/null || packages+=(python3 python3-venv)
        # There are no wheels of these for Python 3.13 and later.
        if new_python; then
            has_module rtmidi || packages+=(python3-rtmidi)
            has_module lgpio || packages+=(python3-lgpio)
            has_module gpiozero || packages+=(python3-gpiozero)
        fi
    fi
    if [ "$synth" ]; then
        command -v fluidsynth >/dev/null || packages+=(fluidsynth)
        [ -e /usr/share/sounds/sf2/default-GM.sf2 ] || packages+=(timgm6mb-soundfont)
    fi
    # shellcheck disable=SC1091
    case $(. /etc/os-release 2>/dev/null; echo "${VERSION_ID-}") in
        12 | 13) ;;
        *) say "this is neither Debian 12 nor 13; going on, untested" ;;
    esac
fi
if [ ${#packages[@]} -gt 0 ]; then
    say "installing ${packages[*]}"
    run apt-get update -qq
    run env DEBIAN_FRONTEND=noninteractive apt-get install -qq -y --no-install-recommends "${packages[@]}"
fi

# ---- the user that it runs as ---------------------------------------------------------------

if [ -z "$root" ]; then
    for group in gpio audio; do
        getent group $group >/dev/null || run groupadd --system $group
    done
    getent passwd pedal >/dev/null ||
        run useradd --system --user-group --no-create-home --home-dir /nonexistent \
            --shell /usr/sbin/nologin --groups gpio,audio --comment "Foot-operated rhythm section" pedal
    run usermod --append --groups gpio,audio pedal
fi

# ---- the program ----------------------------------------------------------------------------

if [ "$own_venv" ] && [ -z "$root" ]; then
    options=()
    new_python && options+=(--system-site-packages)
    version='import sys; print(sys.version_info[:2])'
    if [ "$("$venv/bin/python" -c "$version" 2>/dev/null)" != "$(python3 -c "$version" 2>/dev/null)" ]; then
        [ -e "$venv" ] && options+=(--clear) # from before an upgrade of the system
        run python3 -m venv "${options[@]}" "$venv"
    fi
    run "$venv/bin/python" -m pip install --quiet --disable-pip-version-check --upgrade "$project[pi]"
fi

# ---- settings and units -----------------------------------------------------------------------

settings() { # FILE OWNER: only if there is none yet
    if [ -e "$root/etc/pedal/$1" ]; then
        say "kept your $root/etc/pedal/$1"
    else
        run install -D -m 644 "$here/$1" "$root/etc/pedal/$1"
    fi
}
settings pedal.toml
[ -z "$synth" ] || settings synth.env
run mkdir -p "$root/etc/pedal/sequences"

unit() {
    local made
    made=$(sed "s|/opt/pedal/bin/|$venv/bin/|" "$here/$1"; echo .)
    if [ "$dry" ]; then
        printf '+ install %s (with %s/bin/pedal) as %s\n' "$here/$1" "$venv" "$root/etc/systemd/system/$1"
        return
    fi
    mkdir -p "$root/etc/systemd/system"
    printf %s "${made%.}" >"$root/etc/systemd/system/$1.new"
    chmod 644 "$root/etc/systemd/system/$1.new"
    mv "$root/etc/systemd/system/$1.new" "$root/etc/systemd/system/$1"
}
units=(pedal.service)
[ -z "$synth" ] || units=(pedal-synth.service "${units[@]}")
for name in "${units[@]}"; do unit "$name"; done

# ---- start ------------------------------------------------------------------------------------

if [ -z "$root" ]; then
    run systemctl daemon-reload
    # Debian's unit would start a second synth for whoever logs in, which takes the sound card.
    [ -z "$synth" ] || run systemctl --global --quiet disable fluidsynth.service 2>/dev/null || true
    if [ -z "$synth" ] && [ -e /etc/systemd/system/pedal-synth.service ]; then
        run systemctl --quiet disable --now pedal-synth.service
        run rm /etc/systemd/system/pedal-synth.service
        run systemctl daemon-reload
    fi
    run systemctl --quiet enable "${units[@]}"
    run systemctl restart "${units[@]}"
fi
if [ -z "$dry" ] && [ -z "$root" ]; then
    say "running; what it says: journalctl -u pedal; its settings: /etc/pedal/pedal.toml"
fi
