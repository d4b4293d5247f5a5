#!/bin/sh
# Sets up what Bittern needs, and does nothing when nothing is missing.
#
#   tools/setup.sh use    to run it: Python's packages and the libraries that print
#   tools/setup.sh demo   the same, and poppler-utils to look into the PDFs where it can be had
#   tools/setup.sh dev    what `use` sets up, and the tools for checking the code
#   tools/setup.sh test   the same, and what the tests need: poppler-utils and Chromium
#
# System packages come through apt, as root or by `sudo -n`; without either, one sentence says what to install.
# PYTHON=/path/to/python3 chooses another Python.
set -eu

STAMP=.venv/.bittern-setup

say() { printf 'setup: %s\n' "$*"; }
fail() {
    printf 'setup: %s\n' "$*" >&2
    exit 1
}
have() { command -v "$1" >/dev/null 2>&1; }

cd "$(dirname "$0")/.."
PROJECT=$(pwd -P)
MODE=${1:-use}
case $MODE in
use | demo | dev | test) ;;
*) fail "say tools/setup.sh use, demo, dev or test, not '$MODE'." ;;
esac
[ -w . ] || fail "$PROJECT cannot be written by $(id -un); give that user the folder, or take a checkout of your own."

# A user's own pip settings of these kinds would send the packages somewhere else than .venv.
unset PYTHONHOME PYTHONPATH PIP_USER PIP_TARGET PIP_PREFIX PIP_REQUIRE_VIRTUALENV
export PIP_DISABLE_PIP_VERSION_CHECK=1 PIP_ROOT_USER_ACTION=ignore PIP_NO_INPUT=1

# --- Python ---------------------------------------------------------------------------------------------------

is_new_enough() { "$1" -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; }
# Debian splits venv's second half (ensurepip) off into python3-venv.
makes_venv() { "$1" -c 'import ensurepip, venv' >/dev/null 2>&1; }
lends_pip() { "$1" -c 'import sys, pip; sys.exit(tuple(map(int, pip.__version__.split(".")[:2])) < (22, 3))' >/dev/null 2>&1; }

# The first Python that is new enough and can make .venv; else the first that is new enough.
choose_python() {
    chosen=''
    for candidate in ${PYTHON:-python3 /usr/bin/python3 python3.14 python3.13 python3.12 python3.11}; do
        if ! { have "$candidate" && is_new_enough "$candidate"; }; then continue; fi
        if makes_venv "$candidate"; then
            chosen=$candidate
            return
        fi
        [ -n "$chosen" ] || chosen=$candidate
    done
}

if [ -n "${PYTHON:-}" ]; then
    have "$PYTHON" || fail "PYTHON is '$PYTHON', which is not a command here; name a Python 3.11 or newer."
    is_new_enough "$PYTHON" || fail "PYTHON is '$PYTHON', which is $("$PYTHON" -V 2>&1); name a Python 3.11 or newer."
fi
choose_python
if [ -z "$chosen" ]; then
    if have python3; then
        fail "Bittern needs Python 3.11 or newer, and python3 here is $(python3 -V 2>&1); install a newer one and run again with PYTHON=/path/to/it."
    fi
    fail "Bittern needs Python 3.11 or newer, and there is no python3 here; install the package python3."
fi

venv_works() { [ -x .venv/bin/python ] && is_new_enough .venv/bin/python && .venv/bin/python -c 'import pip' >/dev/null 2>&1; }
# Scripts in .venv hold the folder's full name, so a checkout that was moved or copied starts over.
venv_is_ours() { head -n 3 .venv/bin/pip 2>/dev/null | grep -qF "$PROJECT/.venv/bin/python"; }

# --- System packages ------------------------------------------------------------------------------------------

loads() { "$chosen" -c 'import ctypes, sys; ctypes.CDLL(sys.argv[1])' "$1" >/dev/null 2>&1; }

list_missing() {
    needed=''
    wished=''
    if ! { venv_works && venv_is_ours; } && ! makes_venv "$chosen" && ! lends_pip "$chosen"; then
        needed="$needed python3-venv"
    fi
    if [ "$(uname -s)" = Linux ]; then
        loads libpango-1.0.so.0 || needed="$needed libpango-1.0-0"
        loads libpangoft2-1.0.so.0 || needed="$needed libpangoft2-1.0-0"
        loads libharfbuzz-subset.so.0 || needed="$needed libharfbuzz-subset0"
    fi
    if ! { have pdftotext && have pdftoppm; }; then
        case $MODE in
        demo) wished="$wished poppler-utils" ;;
        test) needed="$needed poppler-utils" ;;
        esac
    fi
    if [ "$MODE" = test ]; then
        have chromium || needed="$needed chromium"
        have pg_virtualenv || needed="$needed postgresql" # the tests run on PostgreSQL too, on a server of their own
        loads libatomic.so.1 || needed="$needed libatomic1" # what drives Chromium (Playwright's node) is linked to it
    fi
}

as_root() {
    if [ "$(id -u)" = 0 ]; then "$@"; else sudo -n -- "$@"; fi
}
may_install() {
    have apt-get || return 1
    [ "$(id -u)" = 0 ] || { have sudo && sudo -n true >/dev/null 2>&1; }
}
apt_get() { # dpkg looks for ldconfig and others in sbin, which a user's PATH may lack
    as_root env "PATH=$PATH:/usr/local/sbin:/usr/sbin:/sbin" DEBIAN_FRONTEND=noninteractive \
        apt-get -q -y -o DPkg::Lock::Timeout=300 -o Dpkg::Use-Pty=0 "$@"
}

install_packages() { # words: package names
    log=$(mktemp)
    say "installing with apt-get: $*"
    apt_get update >"$log" 2>&1 || say "apt-get update did not finish cleanly; trying with the package lists that are here."
    if ! apt_get install --no-install-recommends "$@" >>"$log" 2>&1; then
        tail -n 15 "$log" >&2
        rm -f "$log"
        return 1
    fi
    rm -f "$log"
}

list_missing
if [ -n "$needed$wished" ]; then
    # shellcheck disable=SC2086  # package names are words
    set -- $needed $wished
    if may_install; then
        install_packages "$@" || [ -z "$needed" ] ||
            fail "apt-get could not install $*; the lines above say why. Put that right and run again."
        choose_python
        list_missing
        [ -z "$needed" ] || fail "still missing after the installation:$needed. Python in use: $chosen."
    elif [ -n "$needed" ]; then
        # shellcheck disable=SC2086
        set -- $needed
        fail "Bittern needs the system packages $*, which only root may install; have root run 'apt-get update && apt-get install -y $*' and run this again."
    fi
fi

# --- .venv ----------------------------------------------------------------------------------------------------

case $MODE in
dev | test) packages=dev ;;
*) packages=use ;;
esac
checksum=$(cat pyproject.toml requirements/use.txt requirements/dev.txt | cksum)
is_installed() { # the packages of these files are in .venv, and at least those that this mode needs
    [ -f "$STAMP" ] && [ "$(sed -n 's/^files //p' "$STAMP")" = "$checksum" ] || return 1
    [ $packages = use ] || has_dev
}
has_dev() { [ -f "$STAMP" ] && grep -qx 'packages dev' "$STAMP"; }
pip() { PYTHONWARNINGS=ignore .venv/bin/python -m pip install --quiet --progress-bar off "$@"; }

if ! { venv_works && venv_is_ours; }; then
    say "making .venv with $("$chosen" -V 2>&1)"
    rm -rf .venv
    if makes_venv "$chosen"; then
        "$chosen" -m venv .venv || fail "'$chosen -m venv .venv' failed; the lines above say why."
    else
        "$chosen" -m venv --without-pip .venv || fail "'$chosen -m venv --without-pip .venv' failed; the lines above say why."
        "$chosen" -m pip --python .venv/bin/python install --quiet pip ||
            fail "pip could not be put into .venv; the lines above say why."
    fi
fi

if ! is_installed; then
    # What was there stays: a set-up for use after one for tests keeps the tests' packages.
    if has_dev; then packages=dev; fi
    say "installing the Python packages of requirements/$packages.txt into .venv"
    rm -f "$STAMP"
    # Bittern itself is built by the setuptools of that file: pip would fetch another one, of no known hash.
    { pip --require-hashes -r "requirements/$packages.txt" && pip --no-deps --no-build-isolation -e .; } ||
        fail "pip could not install Bittern's Python packages; the lines above say why. Look at the network (or pip's own settings) and run again."
    printf 'files %s\npackages %s\n' "$checksum" "$packages" >"$STAMP"
    say "ready"
fi
