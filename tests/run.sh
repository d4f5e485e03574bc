#!/usr/bin/env bash
# Everything that is checked before a change is taken, in one command:
#     bash tests/run.sh [arguments for pytest]
# Makes what it needs in .work/ first. CI=true turns a missing independent server into a failure.
cd "$(dirname "${BASH_SOURCE[0]}")/.." || exit 1
# shellcheck source=lab/environment.sh
. lab/environment.sh
# shellcheck source=tests/peers/fetch.sh
. tests/peers/fetch.sh

step() {
    local name=$1 status
    shift
    printf '== %s\n' "$name"
    "$@" </dev/null
    status=$?
    if [ "$status" -ne 0 ]; then
        say "tests/run.sh: $name failed with status $status"
        exit "$status"
    fi
}

peers() {
    fetch_peers || [ "${CI:-}" != true ]
}

step environment make_environment test
step peers peers
step format "$VENV/bin/ruff" format --check .
step lint "$VENV/bin/ruff" check .
step types "$VENV/bin/mypy"
step oldest bash tests/oldest.sh
# The test runner speaks for itself, and its summary comes last.
printf '== tests\n'
# In two processes: much of the time a test waits, for a server or for silence.
exec "$VENV/bin/python" -m pytest --numprocesses 2 --dist worksteal "$@" </dev/null
