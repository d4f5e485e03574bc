"""What was tried at a RADIUS server that failed, in words; and what to enter there so that it
knows this machine."""

from collections.abc import Iterable, Iterator

from probe.judge.case import Case
from probe.judge.draft import Sighting, nodes_of
from probe.judge.rules.reach import ports_of
from probe.judge.words import clip, listing, verb
from probe.observation.model import Outcome, Trial, TrialKind
from probe.plan.model import SecretRef

_ASKED = {
    TrialKind.STATUS_SERVER: "Status-Server",
    TrialKind.UNCONNECTED: "a retry that takes replies from any address",
    TrialKind.SMALLER_REPLIES: "the same in small packets",
    TrialKind.LARGE_REQUEST: "a large request",
    TrialKind.WIDER_OFFER: "a hello that offers all there is",
}

_ENDED = {
    Outcome.SILENT: "no answer",
    Outcome.CUT_OFF: "breaks off too",
    Outcome.REFUSED: "refused too",
    Outcome.SECRET_DIFFERS: "answered by what does not verify",
    Outcome.NOT_ASKED: "not tried",
}


def in_words(tried: Iterable[Trial]) -> Iterator[str]:
    """Yield what each trial was and how it ended."""
    for trial in tried:
        asked = _ASKED.get(trial.kind, clip(trial.kind.value))
        ended = _ENDED.get(trial.outcome, clip(trial.outcome.value))
        if trial.outcome is Outcome.SERVED:
            ended = "answered"
        if trial.replied_from is not None:
            ended += f" from {clip(trial.replied_from)}"
        told = trial.detail if trial.outcome is not Outcome.SILENT else None
        detail = f" ({clip(told)})" if told else ""
        yield f"{asked}: {ended}{detail}"


def client_entry(case: Case, sightings: list[Sighting]) -> str:
    """Return which RADIUS client to create, and where: a server is silent to those it does not
    know, and to requests that another secret signed (RFC 2865, 2; RFC 3579, 3.2)."""
    nodes = nodes_of(case, sightings)
    sources = sorted({each.visit.record.source for each in sightings if each.visit.record.source})
    machine = "this machine's address, as the node sees it,"
    if sources:
        machine = f"{listing(sources)} (this machine, or what the node sees of it behind a NAT)"
    shared = secrets(case, sightings)
    with_secret = f" with the shared secret that is {shared}" if shared else ""
    entries = verb(sources, "the entry is", "the entries are") if sources else "the entry is"
    return (
        f"On {listing(nodes)}, register {machine} as a RADIUS client{with_secret}. If {entries}"
        f" there, compare the secret, and see that firewalls let UDP {ports_of(sightings)} through."
    )


def secrets(case: Case, sightings: list[Sighting]) -> str:
    """Return where the plan has the secrets of some nodes from."""
    found = dict.fromkeys(_secret(case, node) for node in nodes_of(case, sightings))
    return listing([secret for secret in found if secret])


def _secret(case: Case, node: str) -> str:
    """Return where the plan has the secret of a node from; never the secret itself."""
    eap = case.nodes[node].eap
    secret: SecretRef | None = eap.secret if eap is not None else None
    if secret is None:
        return ""
    if secret.environment is not None:
        return f"in the environment variable {secret.environment}"
    if secret.file is not None:
        return f"in the file {secret.file.name}"
    return "typed in at the start"
