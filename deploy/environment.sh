# shellcheck shell=bash
# Sourced by deploy/start and tests/run: makes a private Python environment from a lock file. Bash; sets no options.
#
# An environment carries a mark (it is ours to rebuild) and, once complete, a stamp of what it was made from. One that
# was interrupted half-way has no stamp and is made anew; one that we did not make is never touched.

repo=$(cd -- "$(dirname -- "$(readlink -f -- "${BASH_SOURCE[0]}")")/.." && pwd)

say() { printf 'brimful: %s\n' "$*" >&2; }
die() {
    say "$*"
    exit 2
}

_suits() { # PYTHON...: does it run, and is it 3.11 or later? (A version manager's stand-in may exist and not run.)
    "$@" -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1
}

_find_python() { # Prints the path of the first Python that suits, best one that can make environments; fails without.
    local name path found=''
    for name in ${BRIMFUL_PYTHON:+"$BRIMFUL_PYTHON"} python3.11 python3 /usr/bin/python3.11 /usr/bin/python3 python3.12 python3.13; do
        if ! path=$(command -v -- "$name") || ! _suits "$path"; then continue; fi
        if "$path" -c 'import ensurepip, venv' >/dev/null 2>&1; then
            printf '%s\n' "$path"
            return
        fi
        found=${found:-$path}
    done
    [ -n "$found" ] && printf '%s\n' "$found"
}

apt_install() { # PACKAGE...: from Debian's registry, as root, without starting the services some packages bring.
    local policy=/usr/sbin/policy-rc.d status=0
    say "installing $* (apt-get)"
    if [ ! -e "$policy" ]; then
        trap 'rm -f -- /usr/sbin/policy-rc.d' EXIT
        printf '#!/bin/sh\nexit 101\n' >"$policy"
        chmod 755 "$policy"
    else
        policy=''
    fi
    {
        DEBIAN_FRONTEND=noninteractive apt-get update -qq -o Acquire::Retries=3 &&
            DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends -o Acquire::Retries=3 "$@"
    } >&2 </dev/null || status=$?
    if [ -n "$policy" ]; then
        rm -f -- "$policy"
        trap - EXIT
    fi
    return "$status"
}

may_apt() { [ "$(id -u)" -eq 0 ] && command -v apt-get >/dev/null; }

python_for_environments() { # Sets $python; installs Debian's where root, else says what is missing.
    local need
    python=$(_find_python) || python=''
    if [ -n "$python" ] && "$python" -c 'import ensurepip, venv' >/dev/null 2>&1; then
        return
    fi
    if [ -z "$python" ]; then need='Python 3.11 or later'; else need="the venv module of $python"; fi
    if may_apt; then
        apt_install python3 python3-venv || die "apt-get could not install python3-venv; $need is needed"
        python=$(_find_python) || python=''
    fi
    if [ -z "$python" ] || ! "$python" -c 'import ensurepip, venv' >/dev/null 2>&1; then
        die "$need is missing; on Debian 12: sudo apt-get install python3 python3-venv"
    fi
}

_sum() { sha256sum | cut -d ' ' -f 1; }

_stamped() { # ENVIRONMENT NAME VALUE: was it made from just this?
    [ -f "$1/$2" ] && [ "$(<"$1/$2")" = "$3" ]
}

make_environment() { # DIRECTORY LOCK: an environment with just what the lock lists, each file checked by its hash.
    local venv=$1 lock=$2 wanted
    wanted=$(_sum <"$lock")
    if _stamped "$venv" requirements.stamp "$wanted" && _suits "$venv/bin/python"; then
        return
    fi
    if [ -e "$venv" ] && [ ! -e "$venv/brimful-environment" ] && [ -n "$(ls -A -- "$venv")" ]; then
        die "$venv: it holds something this script did not make; move it away or set BRIMFUL_VENV to another place"
    fi
    python_for_environments
    say "making a private environment in $venv (once; about a minute)"
    rm -rf -- "$venv"
    mkdir -p -- "$venv" || die "$venv: cannot be made; set BRIMFUL_VENV to a directory you may write to"
    : >"$venv/brimful-environment"
    "$python" -m venv -- "$venv" >&2 || die "$python could not make an environment in $venv"
    "$venv/bin/python" -m pip install -qq --no-input --disable-pip-version-check --require-hashes --no-deps \
        --requirement "$lock" >&2 || die "the packages in $lock could not be installed (see above)"
    printf '%s\n' "$wanted" >"$venv/requirements.stamp"
}

install_project() { # DIRECTORY: brimful itself, as a built package, so that a running daemon keeps its own files.
    local venv=$1 wanted build
    wanted=$(cd -- "$repo" && find pyproject.toml rules accounting daemon -type f ! -name '*.pyc' -print0 |
        LC_ALL=C sort -z | xargs -0 sha256sum | _sum)
    if _stamped "$venv" project.stamp "$wanted"; then
        return
    fi
    say "installing brimful into $venv"
    rm -f -- "$venv/project.stamp"
    # Built from a copy: the checkout stays as it is, and no leftover of an earlier build slips in.
    build=$(mktemp -d)
    (
        trap 'rm -rf -- "$build"' EXIT
        cd -- "$repo" && cp -R -- pyproject.toml README.md rules accounting daemon "$build" &&
            "$venv/bin/python" -m pip install -qq --no-input --disable-pip-version-check --no-deps \
                --no-build-isolation --force-reinstall "$build" >&2
    ) || die "brimful could not be installed into $venv (see above)"
    printf '%s\n' "$wanted" >"$venv/project.stamp"
}

link_project() { # DIRECTORY: brimful as it stands in the checkout, for those who work on it.
    local venv=$1 wanted
    wanted=$(_sum <"$repo/pyproject.toml")
    if _stamped "$venv" project.stamp "$wanted"; then
        return
    fi
    "$venv/bin/python" -m pip install -qq --no-input --disable-pip-version-check --no-deps --no-build-isolation \
        --editable "$repo" >&2 || die "brimful could not be linked into $venv (see above)"
    printf '%s\n' "$wanted" >"$venv/project.stamp"
}
