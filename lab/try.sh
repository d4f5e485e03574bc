#!/usr/bin/env bash
# A first try, in one command:
#     bash lab/try.sh
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

# The lab prints the plan's path as soon as all its servers answer. Its own messages go to stderr.
exec 3< <(exec "$VENV/bin/python" -m lab northpier-demo --directory "$DEMO")
lab=$!
if ! read -r -t 60 plan <&3; then
    # If it has ended, it has said why.
    if kill -0 "$lab" 2>/dev/null; then
        say "lab/try.sh: the demonstration cluster was not ready after a minute."
    fi
    exit 2
fi

survey=$DEMO/survey.json
rm -f "$survey"
"$VENV/bin/probe" cluster "$plan" --save "$survey"
status=$?
end_lab

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
  $VENV/bin/python -m lab northpier-demo --directory $DEMO
      keeps the cluster up until Ctrl-C; then, in another terminal:
  $VENV/bin/probe node quay2 $plan
      one node in depth

$VENV/bin/python -m lab --help lists other clusters, each with one thing wrong. For your own cluster,
write a plan like $plan and run: $VENV/bin/probe cluster my-plan.toml
END
