# shellcheck shell=bash
# Sourced by deploy/install, deploy/upgrade and deploy/uninstall: where brimful lies on a machine, and the steps they share.
#
#   /opt/brimful/versions/VERSION   an environment for each version: the present one and the one before it
#   /opt/brimful/current            a link to the present one: what is started and what `brimful` runs
#   /etc/brimful                    home.toml and its secrets; `brimful rule` writes there
#   /var/lib/brimful                the ledger, its backups and what belongs to it
#
# With --root DIRECTORY all of it lies below that directory, belongs to whoever runs the script, and no service is set up:
# to try it out. BRIMFUL_SYSTEMCTL names another systemctl, for the tests.

# shellcheck source-path=SCRIPTDIR source=environment.sh
source "$(dirname -- "$(readlink -f -- "${BASH_SOURCE[0]}")")/environment.sh"

# shellcheck disable=SC2034  # the scripts that source this use them
places() { # ROOT: '' for the machine itself.
    root=$1
    opt=$root/opt/brimful
    current=$opt/current
    etc=$root/etc/brimful
    home=$etc/home.toml
    var=$root/var/lib/brimful
    unit=$root/etc/systemd/system/brimful.service
    command=$root/usr/local/bin/brimful
    unfinished=$opt/unfinished-upgrade
    if [ -z "$root" ]; then
        [ "$(id -u)" -eq 0 ] || die "only root may do this; try again with sudo, or with --root DIRECTORY to try it out"
    fi
    systemctl=${BRIMFUL_SYSTEMCTL-}
    if [ -z "$systemctl" ] && [ -z "$root" ] && [ -d /run/systemd/system ]; then
        systemctl=$(command -v systemctl) || systemctl=''
    fi
}

absolute() { # PATH: prints it from the root directory on; the file need not be there.
    case $1 in
    /*) printf '%s\n' "$1" ;;
    *) printf '%s\n' "$PWD/$1" ;;
    esac
}

one_at_a_time() { # Holds the folder of the installation until the script ends.
    mkdir -p -- "$opt" || die "$opt: cannot be made"
    exec {installation}<"$opt"
    flock --nonblock "$installation" || die "another install, upgrade or uninstall is at work; wait until it has ended"
}

as_brimful() { # COMMAND...: as the daemon's own user, so that no file of root's gets among its files.
    if [ -n "$root" ]; then
        "$@"
    else
        runuser --user brimful -- "$@"
    fi
}

own() { # MODE DIRECTORY: one that belongs to the daemon's user.
    if [ -n "$root" ]; then
        install -d -m "$1" -- "$2"
    else
        install -d -m "$1" -o brimful -g brimful -- "$2"
    fi
}

this_version() { # Prints the version that this folder holds: its number and a digest of what would be installed.
    local number digest
    number=$(sed -n 's/^version = "\(.*\)"$/\1/p' "$repo/pyproject.toml")
    digest=$(cd -- "$repo" && find pyproject.toml rules accounting daemon deploy/requirements.lock deploy/brimful.service \
        deploy/ledger_tool.py -type f ! -name '*.pyc' -print0 | LC_ALL=C sort -z | xargs -0 sha256sum | _sum)
    printf '%s-%s\n' "$number" "${digest:0:8}"
}

installed_version() { # Prints the version that is installed, or nothing.
    if [ -L "$current" ]; then basename -- "$(readlink -- "$current")"; fi
}

# What brings the packages; tests put another in its place.
make_version() { # VERSION: its environment, complete, beside the others.
    local venv=$opt/versions/$1
    mkdir -p -- "$opt/versions"
    make_environment "$venv" "$repo/deploy/requirements.lock"
    install_project "$venv"
    "$venv/bin/brimful" --version >/dev/null || die "$venv: brimful does not start there (see above)"
    install -m 644 -- "$repo/deploy/brimful.service" "$repo/deploy/ledger_tool.py" "$venv"
}

tool() { # VERSION ARGUMENTS...: see deploy/ledger_tool.py.
    local version=$1
    shift
    as_brimful "$opt/versions/$version/bin/python" -P "$opt/versions/$version/ledger_tool.py" "$@"
}

switch_to() { # VERSION: what `current` means, its unit and the command, each put in place in one step.
    ln -sfn -- "versions/$1" "$current.new"
    mv -T -- "$current.new" "$current"
    if [ -n "$systemctl" ] || [ -d "$(dirname -- "$unit")" ]; then
        install -D -m 644 -- "$opt/versions/$1/brimful.service" "$unit.new"
        mv -T -- "$unit.new" "$unit"
    fi
    if [ -n "$systemctl" ]; then "$systemctl" daemon-reload; fi
    mkdir -p -- "$(dirname -- "$command")"
    cat >"$command.new" <<EOF
#!/bin/sh
# brimful as it is installed; the home file is $home unless BRIMFUL_HOME or --home names another.
BRIMFUL_HOME=\${BRIMFUL_HOME:-$home} exec "$current/bin/brimful" "\$@"
EOF
    chmod 755 -- "$command.new"
    mv -T -- "$command.new" "$command"
}

running() { [ -n "$systemctl" ] && "$systemctl" is-active --quiet brimful; }

stop_service() {
    if [ -n "$systemctl" ]; then "$systemctl" stop brimful; fi
}

start_service() { # Returns when the daemon says that the heaters are looked after; fails where it does not say so.
    if [ -n "$systemctl" ]; then "$systemctl" start brimful; fi
}

keep_newest() { # COUNT DIRECTORY: lets all but the newest entries of a directory go.
    local count=$1 entry
    [ -d "$2" ] || return 0
    while IFS= read -r -d '' entry; do rm -rf -- "${2:?}/${entry#* }"; done < <(
        find "$2" -mindepth 1 -maxdepth 1 -printf '%T@ %f\0' | sort -z -n -r | tail -z -n "+$((count + 1))"
    )
}
