#!/usr/bin/env bash
# Tests the tool with the oldest version of every dependency that pyproject.toml allows:
#     bash tests/oldest.sh [arguments for pytest]
# in an environment of its own. The newest ones are what tests/run.sh makes its environment with.
cd "$(dirname "${BASH_SOURCE[0]}")/.." || exit 1
# shellcheck source=lab/environment.sh
. lab/environment.sh

NEWEST=$VENV
VENV=$WORK/oldest
make_environment_of_oldest() {
    mkdir -p "$WORK" &&
        "$NEWEST/bin/python" tests/oldest.py >"$WORK/oldest.txt" &&
        PIP_CONSTRAINT=$PWD/$WORK/oldest.txt make_environment test
}

make_environment_of_oldest || exit 1
# What each dependency is for: names and messages (dnspython, idna), screens (rich), the command
# (click), calendars (icalendar), RADIUS (pyrad), TLS (pyOpenSSL), documents (msgspec), folders
# (platformdirs); and whole sweeps of the lab.
set -- "${@:-}"
if [ -z "$1" ]; then
    set -- tests/test_oldest.py tests/observe/test_message.py tests/observe/test_dns_records.py \
        tests/observe/test_document.py tests/plan/test_read.py tests/report/test_screens.py \
        tests/report/test_due.py tests/report/test_schema.py tests/cli/test_help.py \
        tests/cli/test_sweep.py tests/wire/test_radius.py \
        tests/wire/test_tls.py tests/published/test_wire_radius.py \
        tests/published/test_names_rfc9525.py tests/published/test_tlsa.py
fi
exec "$VENV/bin/python" -m pytest --quiet "$@" </dev/null
