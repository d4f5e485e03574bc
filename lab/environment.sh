# shellcheck shell=bash
# To be sourced, from the top of the checkout: the virtual environment that the lab and the tests
# share. It lives in .work/, which git never sees, and is made anew only when pyproject.toml or
# the interpreter changes, so that a second run needs no network.

WORK=.work
VENV=$WORK/venv

say() { printf '%s\n' "$*" >&2; }

# Debian splits the standard library's venv off into a package of its own. Its absence shows only
# when pip is to be put into the new environment, hence the look at ensurepip.
python_fits() {
    "$1" -c 'import sys, venv, ensurepip; raise SystemExit(sys.version_info < (3, 11))' \
        >/dev/null 2>&1 </dev/null
}

find_python() {
    local name
    for name in python3 python3.11 python3.12 python3.13 python3.14 /usr/bin/python3; do
        if python_fits "$name"; then
            command -v "$name"
            return 0
        fi
    done
    return 1
}

# Prints the interpreter to use. A root on Debian gets one installed; anyone else is told.
need_python() {
    if find_python; then return 0; fi
    if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null; then
        say "Installing python3 and python3-venv from the distribution"
        { apt-get update -qq && DEBIAN_FRONTEND=noninteractive \
            apt-get install -qq -y --no-install-recommends python3 python3-venv; } \
            >&2 </dev/null || return 1
        if find_python; then return 0; fi
    fi
    say "Python 3.11 or newer with its venv module is needed (Debian: python3 and python3-venv)."
    return 1
}

# make_environment EXTRAS: see to it that $VENV holds the project with its dependencies, and with
# those of an extra ("test") or of none (""). Returns non-zero, having said why, if it can't.
make_environment() {
    local extras=$1 python stamp
    mkdir -p "$WORK" && printf '*\n' >"$WORK/.gitignore" || return 1
    python=$(need_python) || return 1
    stamp=$({ cat pyproject.toml && "$python" -VV && pwd -P; } | sha256sum | cut -d' ' -f1)
    (
        # Two of these at a time in one checkout would trip over each other.
        if command -v flock >/dev/null; then flock 9; fi
        if [ -x "$VENV/bin/python" ] && grep -qsx "$stamp" "$VENV/made-for-${extras:-none}"; then
            exit 0
        fi
        say "Preparing the virtual environment in $VENV"
        if [ "$("$VENV/bin/python" -VV 2>/dev/null)" != "$("$python" -VV)" ]; then
            rm -rf "$VENV"
        fi
        "$python" -m venv "$VENV" &&
            "$VENV/bin/python" -m pip install --quiet --disable-pip-version-check --no-input \
                --editable ".${extras:+[$extras]}" &&
            printf '%s\n' "$stamp" >"$VENV/made-for-none" &&
            printf '%s\n' "$stamp" >"$VENV/made-for-${extras:-none}"
    ) 9>"$WORK/lock" </dev/null || {
        say "The virtual environment could not be made; remove $VENV to start afresh."
        return 1
    }
}
