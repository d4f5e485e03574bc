"""What somebody says was just imported, out of the files that were."""

from collections.abc import Callable, Sequence

from probe.certificate.container import Expected, ExpectedError, fingerprint_in, read_expected
from probe.jobs.sweep import JobError, Scope
from probe.judge.imported import Imported
from probe.observation.model import Endpoint
from probe.plan.model import Plan

__all__ = ["Imported", "fingerprint_in", "imported"]


def imported(
    files: Sequence[tuple[str, bytes]],
    passwords: Callable[[int], bytes | None],
    fingerprints: Sequence[str] = (),
    endpoint: Endpoint | None = None,
) -> Imported:
    """Return what files (name, octets) and fingerprints say. Raises JobError.

    `endpoint` is what it is for, if that was said.
    """
    found = [Expected(fingerprint=fingerprint) for fingerprint in fingerprints]
    try:
        found += read_expected(files, passwords) if files else ()
    except ExpectedError as error:
        raise JobError(f"what is expected cannot be told: {error}") from None
    return Imported(tuple(found), endpoint)


def check_asked(plan: Plan, scope: Scope, endpoint: Endpoint | None) -> None:
    """Raise JobError if something is expected of an endpoint that is not asked."""
    there = {Endpoint.WEB}
    there |= {Endpoint.EAP for node in plan.nodes if node.eap is not None}
    if endpoint is not None and endpoint not in scope.only & there:
        raise JobError(f"the certificate is said to be for {endpoint}, which is not asked here")
