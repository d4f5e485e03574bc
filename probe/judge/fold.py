"""One cause, one finding: what another draft explains goes under it.

How drafts are cut. Rules gather by cause before anything is folded: nodes that share a rule and
what is at fault are one draft. Its `name` is None where a fault is about the endpoint as a whole or
about several names (they then stand in `says` and in the evidence), and a name where the fault
shows under that name only; so (rule, endpoint, nodes, name) is the same in every run.

How drafts are folded. A draft goes under another one only if whoever mends the other has mended it
too: it speaks of no place that the other does not speak of, and of no name that the other leaves
out. For comparisons the other must name exactly one of the groups compared, so that it explains why
they differ. What the plan takes as known is never mixed with what it does not.

Nothing is lost by it: the finding on top takes over the reactions below, and their verdict where it
is worse.
"""

from collections.abc import Callable, Mapping

from probe.assessment import Verdict
from probe.judge.case import Case
from probe.judge.clients.reactions import worst
from probe.judge.draft import Draft
from probe.judge.objections import IN_PLAN
from probe.judge.path import clauses
from probe.judge.rules.families import COVERAGE
from probe.judge.rules.imports import UNKNOWN_CHAIN
from probe.judge.rules.profile import AS_PLANNED
from probe.records import dataclass, field


@dataclass(slots=True)
class Cause:
    """A draft that becomes a finding, and those that it explains."""

    draft: Draft
    folded: list[Draft] = field(default_factory=list)

    @property
    def remedy(self) -> str:
        """What to do: of what it explains, if that has the better certificate at hand already."""
        at_fault = frozenset(self.draft.certificates)
        if at_fault <= self.draft.replaces:
            return self.draft.remedy or self.draft.rule.remedy
        for draft in self.folded:
            if at_fault and at_fault <= draft.replaces and draft.remedy:
                return draft.remedy
        return self.draft.remedy or self.draft.rule.remedy

    @property
    def verdict(self) -> Verdict:
        """The worst of all that is told here."""
        return min(draft.verdict for draft in (self.draft, *self.folded))


_Explains = Callable[[Case, Draft, Draft], bool]
"""Whether the first draft explains the second."""


def fold(case: Case, drafts: list[Draft]) -> list[Cause]:
    """Return the causes among the drafts of all rules."""
    causes = {id(draft): Cause(draft) for draft in drafts}
    for rule_id, parents, explains in _FOLDS:
        for draft in [d for d in drafts if d.rule_id == rule_id and id(d) in causes]:
            above = _above(
                case, draft, [cause.draft for cause in causes.values()], parents, explains
            )
            if above is not None:
                gone = causes.pop(id(draft))
                causes[id(above)].folded += [draft, *gone.folded]
    return list(causes.values())


def _above(
    case: Case, draft: Draft, standing: list[Draft], parents: tuple[str, ...], explains: _Explains
) -> Draft | None:
    for rule_id in parents:
        for other in standing:
            known_alike = _acceptance(case, other) == _acceptance(case, draft)
            if other.rule_id == rule_id and known_alike and explains(case, other, draft):
                return other
    return None


def _acceptance(case: Case, draft: Draft) -> object:
    return draft.accepted or case.acceptance(draft.rule_id, draft.nodes, draft.name)


def _same_place(case: Case, other: Draft, draft: Draft) -> bool:
    """It speaks of places that the other speaks of, and of no name that the other leaves out."""
    if not draft.places or not draft.places <= other.places:
        return False
    names = {draft.name}
    if draft.rule_id == "cluster-join-untrusted":
        # Other nodes open the node's own name.
        names = {case.host(node) for node in draft.nodes}
    return other.name is None or names == {other.name}


def _same_certificate(case: Case, other: Draft, draft: Draft) -> bool:
    return set(draft.certificates) <= set(other.certificates) and _same_place(case, other, draft)


def _same_nodes(_case: Case, other: Draft, draft: Draft) -> bool:
    return set(draft.nodes) == set(other.nodes)


def _one_group(_case: Case, other: Draft, draft: Draft) -> bool:
    """Of the nodes compared the other names exactly one group, or those outside the largest."""
    compared = frozenset[str]().union(*draft.groups)
    return frozenset(other.nodes) & compared in {frozenset(draft.nodes), *draft.groups}


def _within(_case: Case, other: Draft, draft: Draft) -> bool:
    return set(draft.nodes) <= set(other.nodes)


def _known_root(case: Case, other: Draft, draft: Draft) -> bool:
    """The root is one of the plan's, though not for EAP: that these nodes differ is the cause."""
    return IN_PLAN in draft.fault and _same_nodes(case, other, draft)


def _among_compared(_case: Case, other: Draft, draft: Draft) -> bool:
    """It is the reason why the difference troubles phones."""
    return frozenset(draft.nodes) <= frozenset[str]().union(*other.groups)


def _unfelt(case: Case, other: Draft, draft: Draft) -> bool:
    """Nobody on site minds the difference by itself: another profile would end the matter."""
    return worst(draft.reacted) is None and _one_group(case, other, draft)


def _as_planned(case: Case, other: Draft, draft: Draft) -> bool:
    """A certificate with a name that the plan expects would do for the profile too."""
    return AS_PLANNED in draft.fault and _same_place(case, other, draft)


def _names_alone(case: Case, other: Draft, draft: Draft) -> bool:
    """One key family's certificate lacks a name that the other's has: that is the cause."""
    return COVERAGE in other.fault and _same_place(case, other, draft)


def _before_the_proof(case: Case, other: Draft, draft: Draft) -> bool:
    """No proof of the key was seen, as the server gave up before."""
    unseen = draft.verdict_at_best is Verdict.UNSEEN
    return unseen and other.verdict_at_best is Verdict.BLOCKED and _same_place(case, other, draft)


def _by_its_signature(case: Case, other: Draft, draft: Draft) -> bool:
    """A signature with a hash that is no longer checked is all that breaks the path."""
    broken = {clauses.SIGNATURE, clauses.ALGORITHM} & set(draft.fault)
    return bool(broken) and _same_certificate(case, other, draft)


def _own_issuer(case: Case, other: Draft, draft: Draft) -> bool:
    """The certificate is its own issuer, so that it has to be replaced altogether."""
    return "self-signed" in other.fault and _same_place(case, other, draft)


def _nothing_newer(_case: Case, other: Draft, draft: Draft) -> bool:
    """What refuses today's versions speaks old ones only."""
    only = other.verdict_at_best is Verdict.BLOCKED
    return only and set(draft.nodes) <= set(other.nodes) and bool(draft.addresses)


def _same_list(_case: Case, other: Draft, draft: Draft) -> bool:
    """Nothing but one list is wrong, and it is the one that stops the clients too."""
    urls = {fact.rpartition(": ")[0] for fact in draft.fault}
    return bool(urls) and urls <= set(other.fault)


def _same_authority(_case: Case, other: Draft, draft: Draft) -> bool:
    """One CA ends, and it has issued for the servers and for their clients."""
    return set(draft.fault) <= set(other.fault)


def _no_address(case: Case, other: Draft, draft: Draft) -> bool:
    """There was nowhere to go, as the names of these nodes lead nowhere."""
    hosts = {case.host(node) for node in draft.nodes}
    named = other.name in hosts if other.name else _within(case, other, draft)
    return not draft.addresses and named and _within(case, other, draft)


def _same_name(_case: Case, other: Draft, draft: Draft) -> bool:
    """What is wrong in one view of a name is why the views differ."""
    return draft.name is not None and draft.name == other.name


def _those_addresses(_case: Case, other: Draft, draft: Draft) -> bool:
    """It speaks of addresses that are not to be in the answers anyway."""
    return bool(draft.addresses) and set(draft.addresses) <= set(other.addresses)


def _better_at_hand(case: Case, other: Draft, draft: Draft) -> bool:
    """It is about a certificate in whose place a better one is to be served."""
    at_fault = frozenset(draft.certificates)
    return bool(at_fault) and at_fault <= other.replaces and _same_place(case, other, draft)


def _refused_for(*kinds: str) -> _Explains:
    """Other nodes refuse the certificate for one of these reasons, which the bundle explains."""

    def explains(case: Case, other: Draft, draft: Draft) -> bool:
        return draft.fault[:1] in {(kind,) for kind in kinds} and _same_place(case, other, draft)

    return explains


def _certificate(suffixes: tuple[str, ...], endpoint: str) -> tuple[str, ...]:
    return tuple(f"{endpoint}-{suffix}" for suffix in suffixes)


# A certificate that has to be replaced altogether explains whatever else is wrong with it.
_WRONG_ALTOGETHER = ("self-signed", "private-root", "unknown-root")
_WEAK = ("weak-key", "weak-signature")
_OF_THE_LEAF = (
    "expired",
    "not-yet-valid",
    "expiring",
    *_WEAK,
    "wrong-purpose",
    "path-invalid",
    "malformed",
)
# What a malformed certificate seems to say besides is read by some and not by others.
_READ_FROM_IT = (*_WEAK, "wrong-purpose", "path-invalid", "chain-incomplete")
_DIFFERENCE = (
    "eap-self-signed",
    "eap-unknown-root",
    "eap-chain-incomplete",
    "eap-expired",
    "eap-not-yet-valid",
    "eap-wrong-purpose",
    "eap-path-invalid",
    "eap-malformed",
    *(f"eap-{suffix}" for suffix in _WEAK),
    "eap-public-root",
    "eap-name-unexpected",
    "eap-wildcard-name",
    "eap-empty-subject",
    "eap-no-alternative-names",
)
_NAMES = ("web-name-mismatch", "web-common-name-only")
_NAMES_OF_EAP = (
    "eap-name-unexpected",
    "eap-wildcard-name",
    "eap-empty-subject",
    "eap-no-alternative-names",
)
_FAILING_OF_BOTH = (
    *_WRONG_ALTOGETHER,
    "malformed",
    "chain-incomplete",
    "chain-disordered",
    *_OF_THE_LEAF,
    "revoked",
    "revocation-unknown",
    "staple-missing",
    "staple-bad",
    "key-unproven",
)
_FAILING = {
    "web": (
        *_certificate(_FAILING_OF_BOTH, "web"),
        "web-lifetime-too-long",
        "web-too-few-timestamps",
        "web-root-winding-down",
        *_NAMES,
    ),
    "eap": (
        *_certificate(_FAILING_OF_BOTH, "eap"),
        "eap-public-root",
        *_NAMES_OF_EAP,
    ),
}
"""What may be wrong with a certificate that is served."""

_UNASKED = (
    *_WRONG_ALTOGETHER,
    "chain-incomplete",
    "expired",
    "not-yet-valid",
    "malformed",
    "path-invalid",
    "revoked",
)
"""Whoever puts another certificate there need not know whether this one was revoked."""

_NOWHERE = ("dns-no-address", "dns-broken-alias", "dns-no-answer")
"""Why no address of a name is known."""

_JOIN = "cluster-join-untrusted"

_BEFORE_IMPORT: tuple[tuple[str, tuple[str, ...], _Explains], ...] = (
    *(
        (rule_id, ("bundle-name-uncovered",), _same_place)
        for rule_id in (*_NAMES, "cluster-name-uncovered", "eap-name-unexpected")
    ),
    (_JOIN, ("bundle-name-uncovered",), _refused_for("name-mismatch")),
    *(
        (rule_id, ("bundle-chain-incomplete",), _same_place)
        for rule_id in ("web-chain-incomplete", "eap-chain-incomplete", "bundle-trust-needed")
    ),
    (_JOIN, ("bundle-chain-incomplete",), _refused_for("chain-incomplete")),
    *(
        # Whoever has the certificate issued by a CA that clients have has mended both.
        ("bundle-trust-needed", _certificate(_WRONG_ALTOGETHER, endpoint), _same_place)
        for endpoint in ("web", "eap")
    ),
    (_JOIN, ("bundle-trust-needed",), _refused_for("self-signed", "private-root", "unknown-root")),
)
"""What is wrong with the files explains what would be wrong were they installed."""


def _chain_compared(case: Case, other: Draft, draft: Draft) -> bool:
    """The chain that is served lacks something of the one that was to come."""
    return UNKNOWN_CHAIN not in other.fault and _same_place(case, other, draft)


_AFTER_IMPORT: tuple[tuple[str, tuple[str, ...], _Explains], ...] = (
    *(
        (
            rule_id,
            ("import-node-missed", "import-other-endpoint", "import-other-family-left"),
            _one_group,
        )
        for rule_id in (
            *("eap-half-renewed", "cluster-half-renewed"),
            *("eap-leaf-differs", "eap-root-differs", "eap-chain-differs"),
        )
    ),
    *(
        (f"{endpoint}-{suffix}", (f"import-{what}",), _better_at_hand)
        for endpoint in ("web", "eap")
        for what in ("not-served", "node-missed", "other-endpoint", "other-family-left")
        for suffix in ("expired", "expiring")
    ),
    *(
        (rule_id, ("import-other-family-left",), _better_at_hand)
        for rule_id in ("web-families-differ", "eap-families-differ")
    ),
    # Chosen for the endpoint that it was made for, it is wrong nowhere.
    *(
        (rule_id, ("import-other-endpoint",), _same_place)
        for rule_id in (*_FAILING["web"], *_DIFFERENCE, "cluster-name-uncovered", _JOIN)
    ),
    *(
        (f"{endpoint}-{suffix}", ("import-chain-differs",), _chain_compared)
        for endpoint in ("web", "eap")
        for suffix in ("chain-incomplete", "chain-disordered")
    ),
    (_JOIN, ("import-chain-differs",), _refused_for("chain-incomplete")),
)
"""Whoever makes the import whole has mended what is wrong with what it replaces."""

_FOLDS: tuple[tuple[str, tuple[str, ...], _Explains], ...] = (
    *_BEFORE_IMPORT,
    (
        "dns-views-differ",
        ("dns-no-address", "dns-broken-alias", "dns-wrong-address", "dns-partly-wrong"),
        _same_name,
    ),
    ("dns-unserved-family", ("dns-wrong-address", "dns-partly-wrong"), _those_addresses),
    # Records stand for the certificate that was to be there.
    (
        "dns-tlsa-mismatch",
        ("web-unequal-answers", *_certificate(_WRONG_ALTOGETHER, "web")),
        _same_place,
    ),
    ("eap-key-unproven", ("eap-long-chain",), _before_the_proof),
    # A certificate that ought to be gone, and is served at times, is mended with that.
    *(
        (rule_id, (f"{endpoint}-unequal-answers",), _same_place)
        for endpoint in ("web", "eap")
        for rule_id in _FAILING[endpoint]
    ),
    *(
        (f"{endpoint}-{suffix}", (f"{endpoint}-self-signed",), _same_place)
        for endpoint in ("web", "eap")
        for suffix in _OF_THE_LEAF
    ),
    *(
        (f"{endpoint}-{suffix}", (f"{endpoint}-malformed",), _same_place)
        for endpoint in ("web", "eap")
        for suffix in _READ_FROM_IT
    ),
    *((f"web-{suffix}", ("web-private-root",), _same_place) for suffix in _WEAK),
    # A signature with a hash that is no longer checked breaks the path where it stands.
    *(
        (f"{endpoint}-path-invalid", (f"{endpoint}-weak-signature",), _same_certificate)
        for endpoint in ("web", "eap")
    ),
    *(
        fold
        for endpoint in ("web", "eap")
        for fold in (
            (f"{endpoint}-revoked", (f"{endpoint}-expired",), _same_place),
            (f"{endpoint}-revocation-unknown", _certificate(_UNASKED, endpoint), _same_place),
            (f"{endpoint}-staple-bad", _certificate(_WRONG_ALTOGETHER, endpoint), _same_place),
            (f"{endpoint}-staple-missing", _certificate(_WRONG_ALTOGETHER, endpoint), _same_place),
        )
    ),
    ("eap-revocation-unknown", ("eap-client-crl-stale",), _same_list),
    ("eap-client-ca-expiring", ("eap-anchor-expiring",), _same_authority),
    *(
        (rule_id, (*_certificate(_WRONG_ALTOGETHER, "web"), "web-malformed"), _same_place)
        for rule_id in _NAMES
    ),
    *((rule_id, ("web-families-differ",), _names_alone) for rule_id in _NAMES),
    *((rule_id, ("eap-families-differ",), _names_alone) for rule_id in _NAMES_OF_EAP[:2]),
    *(
        (f"{endpoint}-families-differ", (f"{endpoint}-unequal-answers", *failing), _same_place)
        for endpoint, failing in _FAILING.items()
    ),
    *(
        (f"eap-{what}-differs", ("eap-families-differ", *_FAILING["eap"]), _same_place)
        for what in ("method", "visit")
    ),
    ("web-chain-incomplete", ("web-private-root",), _same_place),
    ("eap-chain-incomplete", ("eap-unknown-root",), _same_place),
    *(
        (f"eap-{suffix}", ("eap-self-signed", "eap-unknown-root", "eap-malformed"), _same_place)
        for suffix in ("name-unexpected", "wildcard-name", "empty-subject", "no-alternative-names")
    ),
    # A certificate that is issued again for the right name has it where it belongs.
    ("eap-no-alternative-names", ("eap-name-unexpected",), _same_place),
    ("profile-name-missing", ("eap-self-signed", "eap-unknown-root"), _same_place),
    ("profile-name-missing", ("eap-name-unexpected", "eap-wildcard-name"), _as_planned),
    # Before that goes under something else itself.
    ("eap-root-helps-android", ("eap-leaf-differs",), _among_compared),
    ("eap-unknown-root", ("eap-root-differs",), _known_root),
    ("eap-root-differs", _DIFFERENCE, _one_group),
    ("eap-leaf-differs", ("eap-root-differs", *_DIFFERENCE, "eap-half-renewed"), _one_group),
    *(
        (f"eap-{what}-differs", ("profile-name-missing", "profile-anchor-missing"), _unfelt)
        for what in ("root", "chain", "leaf")
    ),
    *(
        (rule_id, ("eap-unequal-answers",), _one_group)
        for rule_id in ("eap-half-renewed", "eap-root-differs", "eap-leaf-differs")
    ),
    ("eap-client-authorities-differ", ("eap-client-authority-missing",), _one_group),
    *(
        ("eap-192-bit", _certificate(causes, "eap"), _same_place)
        for causes in (("self-signed", "unknown-root"), _WEAK)
    ),
    # Where the older certificate's end is near, the node that was left out is the cause; where
    # most nodes wait for the renewal, their certificate's end is.
    ("eap-expiring", ("eap-half-renewed",), _within),
    ("eap-half-renewed", ("eap-expired", "eap-expiring", "eap-not-yet-valid"), _one_group),
    ("eap-chain-differs", _DIFFERENCE, _one_group),
    (
        "cluster-name-uncovered",
        (
            "web-unequal-answers",
            "web-families-differ",
            *_NAMES,
            *_certificate(_WRONG_ALTOGETHER, "web"),
            "web-malformed",
        ),
        _same_place,
    ),
    (
        "cluster-join-untrusted",
        (
            "web-unequal-answers",
            "web-families-differ",
            *_certificate(_WRONG_ALTOGETHER, "web"),
            "web-chain-incomplete",
            "web-malformed",
            *_NAMES,
        ),
        _same_place,
    ),
    ("web-expiring", ("cluster-half-renewed",), _within),
    (
        "cluster-half-renewed",
        ("web-self-signed", "web-expired", "web-expiring", "web-not-yet-valid", "web-revoked"),
        _one_group,
    ),
    *(
        (rule_id, ("web-old-tls",), _nothing_newer)
        for rule_id in ("web-refused", "web-closed", "web-not-tls")
    ),
    *((f"{endpoint}-silent", _NOWHERE, _no_address) for endpoint in ("web", "eap", "radsec")),
    *((f"radsec-{end}", ("radsec-old-tls",), _nothing_newer) for end in ("refused", "closed")),
    *(
        (f"radsec-{suffix}", ("radsec-unknown-root",), _own_issuer)
        for suffix in ("expired", "expiring", "wrong-purpose", "weak-key")
    ),
    *(
        (f"radsec-{suffix}", ("radsec-unknown-root",), _same_place)
        for suffix in ("name-mismatch", "chain-incomplete")
    ),
    ("radsec-unknown-root", ("radsec-weak-key",), _by_its_signature),
    *_AFTER_IMPORT,
)
"""Rule, the rules that may explain it (the first that does is taken), and when one does. The order
matters: what was folded is no longer on top for those after it."""


def below(cause: Cause) -> Mapping[str, Draft]:
    """Return what is folded under a cause, each once, in catalogue order."""
    drafts = sorted(cause.folded, key=lambda draft: (draft.rule.order, draft.nodes))
    return {draft.id: draft for draft in drafts}
