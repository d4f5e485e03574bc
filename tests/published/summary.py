"""Says after a run how NIST PKITS stands: which tests apply, which agree, why others do not."""

import pytest

from tests.published.pkits import APPLYING, BY_LIST, TESTS, UNREADABLE, not_run

_TESTS = ("test_path_pkits.py::test_pkits[", "test_crl_pkits.py::test_pkits_list[")


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    def ids(outcome: str) -> set[str]:
        reports = terminalreporter.getreports(outcome)
        found = (report.nodeid.partition(test)[2] for report in reports for test in _TESTS)
        return {rest.rstrip("]") for rest in found if rest}

    passed, failed = ids("passed"), ids("failed")
    if not passed | failed:
        return
    agree = passed - UNREADABLE.keys()
    applying = (*APPLYING, *BY_LIST)
    accepted = [
        test["id"] for test in applying if test["id"] in failed and test["expected"] == "invalid"
    ]
    line = terminalreporter.write_line
    terminalreporter.write_sep("=", "NIST PKITS 1.0.1")
    line(
        f"{len(applying)} of {len(TESTS)} tests apply, {len(agree)} agree; refusals that are"
        f" accepted: {', '.join(accepted) or 'none'}"
    )
    for test_id in sorted(failed):
        line(f"{test_id}: does not agree")
    for test_id in sorted(passed & UNREADABLE.keys()):
        line(f"{test_id}: {UNREADABLE[test_id]}")
    reasons: dict[str, list[str]] = {}
    for test in TESTS:
        why = not_run(test)
        if why is not None:
            reasons.setdefault(why, []).append(test["id"])
    for why, numbers in reasons.items():
        line(f"not run, {why}: {', '.join(numbers)}")
