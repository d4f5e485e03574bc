#!/usr/bin/env bash
# A first try, in one command:
#     bash lab/try.sh [options for the lab, such as --single-address]
# Makes the environment in .work/ (only the first time), starts a demonstration cluster on loopback,
# sweeps it, shows the report and ends the cluster. Nothing outside this machine is asked.
cd "$(dirname "${BASH_SOURCE[0]}")/.." || exit 2
# shellcheck source=lab/environment.sh
. lab/environment.sh

make_environment "" || exit 2

DEMO=$WORK/demo
lab=

end_lab() {
    if [ -n "$lab" ]; then
        kill "$lab" 2>/dev/null
        wait "$lab"
        lab=
    fi
}
trap end_lab EXIT

# The lab prints the plan's path as soon as all its servers answer, and says on stderr why it can't.
mkdir -p "$DEMO" && rm -f "$DEMO/ready" && mkfifo "$DEMO/ready" || exit 2
"$VENV/bin/python" -m lab northpier-demo --directory "$DEMO" "$@" >"$DEMO/ready" &
lab=$!
exec 3<"$DEMO/ready"
read -r -t 60 plan <&3
status=$?
if [ "$status" -gt 128 ]; then # so says bash where the time is up
    say "lab/try.sh: the demonstration cluster was not ready after a minute."
fi
if [ "$status" -ne 0 ]; then exit 2; fi

survey=$DEMO/survey.json
rm -f "$survey"
"$VENV/bin/probe" cluster "$plan" --save "$survey" --history off
status=$?
end_lab

if [ "$status" -eq 130 ]; then exit 130; fi
# 1 means that somebody is blocked or warned: that is what this cluster is made for.
if [ "$status" -ne 1 ] || [ ! -s "$survey" ]; then
    say "lab/try.sh: the sweep ended with status $status; 1 and a report were expected."
    exit 1
fi
cat <<END

The exit status was 1, as somebody is blocked or warned. What to try next, from this folder:

  $VENV/bin/probe cluster $plan --from $survey --format json
      the same report for programs, from what was saved: nobody is asked
  $VENV/bin/probe rules eap-expired
      what a rule means and what to do about it
  $VENV/bin/python -m lab northpier-demo --directory $DEMO${*:+ $*}
      keeps the cluster up until Ctrl-C; then, in another terminal:
  $VENV/bin/probe node quay2 $plan
      one node in depth

$VENV/bin/python -m lab --help lists other clusters, each with one thing wrong. For your own,
write a plan like $plan and run: $VENV/bin/probe cluster my-plan.toml
END
