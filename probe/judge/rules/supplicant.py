"""What supplicants' makers require of an EAP certificate besides its path and names."""

from collections import defaultdict
from collections.abc import Callable, Iterator

from probe.assessment import Note
from probe.certificate.facts import CertFacts
from probe.judge.case import Case, Visit
from probe.judge.catalogue import BY_ID
from probe.judge.clients.reactions import Reacted, react
from probe.judge.draft import Draft, Sighting, nodes_of, resting_on
from probe.judge.override import TOFU, override_of
from probe.judge.standing import Standing
from probe.judge.words import called, issuer, listing, quoted_name, verb
from probe.observation.model import Endpoint, KeyFamily
from probe.plan.model import Acceptance, Setup
from probe.records import replace

_Fault = tuple[tuple[Reacted, ...], str, tuple[str, ...]]
"""Who minds, what exactly is seen, and what sightings of one cause share."""


def public_root(case: Case) -> Iterator[Draft]:
    """Yield a draft where EAP ends in a public root and no name is expected: then the certificate
    of anybody else would do as well (RFC 9190, 2.2)."""

    unnamed = [
        client
        for client, given in case.given.items()
        if not given or not all(one.expects.demands for one in given)
    ]

    def fault(visit: Visit) -> _Fault | None:
        explanation = case.reference(visit)
        eap = case.nodes[visit.nodes[0]].eap
        known = case.standing(visit.chain[0])
        trusted = explanation.anchor in case.anchors_of(visit)
        if known.standing is not Standing.PUBLIC or not trusted:
            return None
        if eap is None or eap.expected_names or (case.supplicants and not unnamed):
            return None
        says = f"it ends in a public root ({known.store}), and the plan expects no name"
        return react(unnamed, "public-root"), says, (explanation.ends_in,)

    yield from _drafts(
        case,
        "eap-public-root",
        fault,
        "under a public root, and no name is expected: anybody's certificate of a public CA would"
        " do as well",
        lambda _, nodes: (
            "Name what the certificate carries in eap.expected_names and in every supplicant's"
            f" profile, or use a CA of your own for EAP on {listing(nodes)}."
        ),
    )


def empty_subject(case: Case) -> Iterator[Draft]:
    """Yield a draft where the subject is empty and a supplicant is on site that wants one."""

    def fault(visit: Visit) -> _Fault | None:
        leaf = case.leaf(visit)
        reacted = react(case.supplicants, "empty-subject")
        if leaf.subject or "subject" in leaf.damaged or not reacted:
            return None
        return reacted, "its subject is empty", (leaf.issuer,)

    yield from _drafts(
        case, "eap-empty-subject", fault, "without a subject", _again("with a common name")
    )


def no_alternative_names(case: Case) -> Iterator[Draft]:
    """Yield a draft where no DNS name stands among the alternative names."""

    def fault(visit: Visit) -> _Fault | None:
        leaf = case.leaf(visit)
        unread = "extension subjectAltName" in leaf.damaged
        if unread or any(name.type == "dns" for name in leaf.names):
            return None
        reacted = react(case.supplicants, "no-alternative-names")
        says = f"it has no DNS name; its common name is {leaf.common_name!r}"
        return reacted, says, (leaf.issuer,)

    yield from _drafts(
        case,
        "eap-no-alternative-names",
        fault,
        "without a DNS name among its alternative names",
        _again("with the name that supplicants expect as a DNS name (subjectAltName)"),
    )


def root_helps_android(case: Case) -> Iterator[Draft]:
    """Yield a draft where Android is set up by hand and the root is not served: then it remembers
    the server's own certificate (AOSP source, insecure EAP network handler)."""
    by_hand = [
        client
        for client in case.supplicants
        if (client.family, client.setup) == ("android-eap", Setup.BY_HAND)
    ]

    def fault(visit: Visit) -> _Fault | None:
        explanation = case.explain(visit, "android-eap")
        root = explanation.anchor
        if not by_hand or root is None or not explanation.complete or root in visit.chain:
            return None
        says = f"its root {quoted_name(explanation.ends_in)} is not served"
        return (), says, (explanation.ends_in,)

    for draft in _drafts(
        case,
        "eap-root-helps-android",
        fault,
        "without its root: Android phones that are set up by hand remember that certificate, and"
        " every renewal troubles them",
        lambda leaf, nodes: (
            f"Import the root together with {called(leaf)} on {listing(nodes)}, so that it is"
            " served, or set phones up by a profile with root and name."
        ),
    ):
        yield replace(draft, clients=("android-eap",))


def suite_192(case: Case) -> Iterator[Draft]:
    """Yield a draft where the plan has the 192-bit mode and key, signature or cipher do not meet
    it. The figures are from memory."""

    def fault(visit: Visit) -> _Fault | None:
        eap = case.nodes[visit.nodes[0]].eap
        if eap is None or not eap.suite_192:
            return None
        unmet = tuple(_unmet(case, visit))
        if not unmet:
            return None
        return (), "; ".join(unmet), (case.leaf(visit).issuer, *sorted(unmet))

    yield from _drafts(
        case,
        "eap-192-bit",
        fault,
        "which does not meet the 192-bit mode of the plan",
        lambda leaf, nodes: (
            f"Have {called(leaf)} and its CAs' certificates issued with P-384 or RSA of 3072 bits"
            f" and SHA-384, import them on {listing(nodes)}, and enable AES-256-GCM with SHA-384"
            " there."
        ),
    )


_LEAST_RSA = 3072
_SHA_384 = "384"
_SUITES = ("AES256-GCM-SHA384", "AES_256_GCM_SHA384")
"""As TLS libraries name the only cipher, and as IANA does."""


def _unmet(case: Case, visit: Visit) -> Iterator[str]:
    explanation = case.reference(visit)
    for sha256 in explanation.path:
        facts = case.certificate(sha256)
        if facts is None or not facts.readable:
            continue
        which = "its key" if sha256 == visit.chain[0] else f"the key of {called(facts)}"
        strong = facts.key_family is KeyFamily.RSA and (facts.key_bits or 0) >= _LEAST_RSA
        if facts.key != "P-384" and not strong:
            yield f"{which} is {facts.key}"
        # A root is trusted as it stands, whatever it is signed with.
        if sha256 != explanation.anchor and _SHA_384 not in facts.signature:
            signed = "it is" if sha256 == visit.chain[0] else f"{called(facts)} is"
            yield f"{signed} signed with {facts.signature}"
    served = visit.record.served
    cipher = served.cipher if served is not None else None
    if cipher is not None and not cipher.endswith(_SUITES):
        yield f"the cipher is {cipher}"


def override_disabled(case: Case) -> Iterator[Note]:
    """Yield a note for each certificate whose policy takes the prompt away from users."""
    found: dict[str, list[Sighting]] = defaultdict(list)
    for visit in case.eap:
        if visit.chain and visit.nodes and override_of(case.leaf(visit)):
            found[visit.chain[0]].append(Sighting(visit, visit.chain[0]))
    for leaf, sightings in found.items():
        nodes = nodes_of(case, sightings)
        once = " after the first connection" if override_of(case.facts[leaf]) == TOFU else ""
        yield Note(
            "eap-override-disabled",
            Endpoint.EAP,
            nodes,
            None,
            f"{listing(nodes)} {verb(nodes, 'serves', 'serve')} for EAP the certificate"
            f" {called(case.facts[leaf])}, whose policy lets no user accept what does not"
            f" verify{once}: where a Windows client would warn, it is blocked.",
            BY_ID["eap-override-disabled"].source,
        )


def _again(how: str) -> Callable[[CertFacts, tuple[str, ...]], str]:
    def remedy(leaf: CertFacts, nodes: tuple[str, ...]) -> str:
        return (
            f"Have {called(leaf)} issued again by {issuer(leaf)} {how}, import it on"
            f" {listing(nodes)}, then restart the RADIUS service there."
        )

    return remedy


def _drafts(
    case: Case,
    rule_id: str,
    fault: Callable[[Visit], _Fault | None],
    says: str,
    remedy: Callable[[CertFacts, tuple[str, ...]], str],
) -> Iterator[Draft]:
    """Yield a draft for each cause among the EAP visits whose leaf could be read."""
    causes: dict[tuple[tuple[str, ...], Acceptance | None], list[Sighting]] = defaultdict(list)
    for visit in case.eap:
        if not visit.chain or not visit.nodes or not case.leaf(visit).readable:
            continue
        found = fault(visit)
        if found is not None:
            reacted, detail, key = found
            accepted = case.acceptance(rule_id, visit.nodes, None)
            causes[key, accepted].append(Sighting(visit, visit.chain[0], reacted, detail))
    for (_, accepted), sightings in causes.items():
        nodes = nodes_of(case, sightings)
        leaves = tuple(dict.fromkeys(sighting.visit.chain[0] for sighting in sightings))
        leaf = case.facts[leaves[0]]
        what = "the certificate" if len(leaves) == 1 else f"{len(leaves)} certificates such as"
        draft = Draft(
            rule_id=rule_id,
            nodes=nodes,
            certificates=leaves,
            says=f"{listing(nodes)} {verb(nodes, 'serves', 'serve')} for EAP {what} {called(leaf)}"
            f" {says}.",
            remedy=remedy(leaf, nodes),
            accepted=accepted,
        )
        yield resting_on(draft, sightings)
