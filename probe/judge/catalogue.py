"""The rules that are judged: what each means, what to do about it, and what it rests on.

The order of findings is that of `RULE_IDS`. Verdicts are not written here: where clients react to
an objection, their reactions decide (`clients/`); `floor` is what remains where none does.
"""

from probe.assessment import Basis, Verdict
from probe.judge.authority_entries import AUTHORITY_ENTRIES
from probe.judge.bundle_rules import BUNDLES
from probe.judge.clients.reactions import World
from probe.judge.dns_rules import NAMES
from probe.judge.eap_rules import IN_DEPTH
from probe.judge.import_rules import IMPORTS
from probe.judge.published_rules import ENTRIES
from probe.judge.radsec_rules import RADSEC
from probe.judge.web_rules import CLOSER, Beside
from probe.judge.why import WHOM, why
from probe.observation.model import Endpoint
from probe.plan.rule_ids import RULE_IDS
from probe.records import dataclass, replace

VERSION = "2026-11-25"
"""Of the catalogue and of the client data; a changed verdict for the same survey changes it."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule of the catalogue."""

    id: str
    endpoint: Endpoint
    """Where it is put right."""
    title: str
    meaning: str
    """What was observed."""
    remedy: str
    """What to do, where a finding has nothing more exact to say."""
    source: str
    basis: Basis
    floor: Verdict | None
    """The least bad verdict of a finding; None: a note, never a finding by itself."""
    by_clients: bool
    """Whether the verdict follows from what clients on site do."""
    objections: tuple[str, ...] = ()
    """What clients object to where it is seen, as the client data calls it."""
    worlds: tuple[World, ...] = ()
    """Clients of which worlds are meant."""

    @property
    def why(self) -> str:
        """Why it matters."""
        return why(self.id)

    @property
    def whom(self) -> str | None:
        """Whom it concerns, where neither clients' reactions nor its verdict tell."""
        return WHOM.get(self.id)

    @property
    def order(self) -> int:
        """Its place in the catalogue."""
        return _ORDER[self.id]


_ORDER = {rule_id: place for place, rule_id in enumerate(RULE_IDS)}


_FIXED_AT = {"profile": "eap", "here": "web", "import": "cluster"}
"""Rules of other rooms than an endpoint, and at which one they are told. Those of imports name the
endpoint themselves."""


def _rule(
    rule_id: str,
    title: str,
    meaning: str,
    remedy: str,
    source: str,
    floor: Verdict | None,
) -> Rule:
    """Return a rule whose verdict stands here: no client's reaction is known or needed."""
    room = rule_id.split("-", 1)[0]
    endpoint = Endpoint(_FIXED_AT.get(room, room))
    return Rule(rule_id, endpoint, title, meaning, remedy, source, Basis.PUBLISHED, floor, False)


def _by_clients(
    rule_id: str,
    title: str,
    meaning: str,
    remedy: str,
    source: str,
    floor: Verdict | None = Verdict.ADVISED,
) -> Rule:
    """Return a rule whose verdict follows from what clients on site do.

    Unless it says otherwise they object to what its id says, and are those of its endpoint.
    """
    rule = _rule(rule_id, title, meaning, remedy, source, floor)
    return replace(
        rule,
        by_clients=True,
        objections=(rule_id.split("-", 1)[1],),
        worlds=("eap",) if rule.endpoint is Endpoint.EAP else ("web", "node"),
    )


_CERTIFICATES = (
    (
        "self-signed",
        "The certificate is its own issuer",
        "Nobody else vouches for the certificate, so no client can tell it from an impostor's.",
        "Import a certificate issued by the CA of this endpoint, and restart the service.",
        "RFC 5280, 6.1",
    ),
    (
        "unknown-root",
        "The chain ends in a root that these clients do not have",
        "The chain leads to a CA that is not among the roots of this endpoint's clients.",
        "Import a certificate of a CA that the clients have, or give them this root.",
        "RFC 5280, 6.1",
    ),
    (
        "chain-incomplete",
        "An intermediate certificate is not served",
        "The certificate of the CA that issued the leaf is missing from the served chain.",
        "Import the missing CA certificate together with the server's, and restart the service.",
        "RFC 5280, 6.1; RFC 9846, 4.4.2 (formerly RFC 8446)",
    ),
    (
        "expired",
        "A certificate has expired",
        "A certificate on the path is past the end of its validity.",
        "Renew the certificate, import it, and restart the service.",
        "RFC 5280, 6.1.3 (a)(2)",
    ),
    (
        "not-yet-valid",
        "A certificate is not valid yet",
        "The validity of a certificate on the path begins in the future.",
        "Go back to the certificate before it until then, and check the issuing CA's clock.",
        "RFC 5280, 6.1.3 (a)(2)",
    ),
    (
        "expiring",
        "The certificate expires soon",
        "The server's certificate ends inside the warning window of the plan.",
        "Renew the certificate, import it on every node named, and restart the service.",
        "RFC 5280, 4.1.2.5",
    ),
    (
        "wrong-purpose",
        "The certificate is made for another purpose",
        "Its extended key usage, key usage or kind does not allow it to be a server's.",
        "Have it issued again for server authentication (serverAuth, digitalSignature), import it.",
        "RFC 5280, 4.2.1.3 and 4.2.1.12",
    ),
    (
        "path-invalid",
        "The path to the root is broken",
        "A certificate on the path breaks a rule that every client checks: a signature, a"
        " constraint, or a certificate that is no CA's.",
        "Have the certificate at fault issued again, and import the whole chain.",
        "RFC 5280, 6.1",
    ),
)


_ON_PAGES = {"chain-incomplete": ("issuer-not-named",)}
"""What browsers object to besides: those that fetch have then nowhere to fetch from."""


def _twins() -> tuple[Rule, ...]:
    twins = []
    for suffix, title, meaning, remedy, source in _CERTIFICATES:
        make = _rule if suffix == "expiring" else _by_clients
        floor = Verdict.DUE if suffix == "expiring" else Verdict.ADVISED
        on_pages = make(f"web-{suffix}", title, meaning, remedy, source, floor)
        further = _ON_PAGES.get(suffix, ())
        twins.append(replace(on_pages, objections=(*on_pages.objections, *further)))
        eap_source = source if suffix == "expiring" else f"{source}; RFC 5216, 5.3"
        twins.append(make(f"eap-{suffix}", title, meaning, remedy, eap_source, floor))
    return tuple(twins)


def _published() -> tuple[Rule, ...]:
    rules = []
    for entry in (*ENTRIES, *AUTHORITY_ENTRIES):
        for endpoint in entry.endpoints:
            make = _by_clients if entry.by_clients else _rule
            rule = make(
                f"{endpoint}-{entry.suffix}",
                entry.title,
                entry.meaning,
                entry.remedy,
                (endpoint == "eap" and entry.eap_source) or entry.source,
                entry.floor,
            )
            rules.append(replace(rule, objections=entry.objections or rule.objections))
    return tuple(rules)


def _proof(endpoint: str, source: str) -> Rule:
    return _rule(
        f"{endpoint}-key-unproven",
        "The server does not prove that it holds the key",
        "The signature over the handshake is not by the key in the certificate, which keeps every"
        " client out; or the handshake ended before it, so that what clients meet is not known.",
        "Import the certificate together with its own private key, restart the service, and see"
        " the server's log if it ends the handshake.",
        source,
        Verdict.BLOCKED,
    )


_PROOF = (
    _proof("web", "RFC 5246, 7.4.3; RFC 9846, 4.4.3 (formerly RFC 8446)"),
    _proof("eap", "RFC 5246, 7.4.3; RFC 9846, 4.4.3 (formerly RFC 8446); RFC 5216, 5.3"),
)

_SHAPES = tuple(
    rule
    for endpoint in ("web", "eap")
    for rule in (
        _by_clients(
            f"{endpoint}-chain-disordered",
            "The chain is not in order",
            "Clients that search for a path find one; others follow the first CA certificate of a"
            " name that is served, and end nowhere.",
            "Serve the certificates in order, each before its issuer's.",
            "RFC 8446, 4.4.2 (now RFC 9846); RFC 5246, 7.4.2",
            None,
        ),
        _rule(
            f"{endpoint}-chain-surplus",
            "Certificates are served that do not belong to the chain",
            "Certificates that lead from the leaf to no root, or stand there twice, cost time and"
            " round trips, and help nobody. A root that belongs to the chain is none of them.",
            "Leave them out of the chain.",
            "RFC 8446, 4.4.2 (now RFC 9846); RFC 5216, 2.1.5",
            None,
        ),
    )
)

_WEB = (
    replace(
        _by_clients(
            "web-private-root",
            "A private root on a name of visitors",
            "The chain ends in a root of the organisation, on a name whose audience does not have"
            " it.",
            "Import a certificate of a public CA for this name.",
            "RFC 9110, 4.3.4",
        ),
        worlds=("web",),
    ),
    _rule(
        "web-closed",
        "The HTTPS port is closed",
        "The node refuses the connection, or cuts it before it shows a certificate.",
        "Start the web service on the node, and check that it listens on this address and port.",
        "RFC 9293, 3.5.2",
        Verdict.BLOCKED,
    ),
    _rule(
        "web-silent",
        "Nothing comes back from the HTTPS port",
        "No answer, or no way there: whether clients get through is not known.",
        "Check that the node is up, and that firewalls let this machine reach the port.",
        "RFC 9293, 3.8.3",
        Verdict.UNSEEN,
    ),
    _rule(
        "web-refused",
        "The TLS handshake is refused",
        "The server ends the handshake with an alert before it shows a certificate.",
        "Check the server's TLS versions, ciphers and the certificate bound to this name.",
        "RFC 9846, 6.2 (formerly RFC 8446)",
        Verdict.BLOCKED,
    ),
    _rule(
        "web-not-tls",
        "The HTTPS port does not speak TLS",
        "Something answers that is no TLS, or cannot be read as such.",
        "Enable TLS on this port, or correct the port in the plan.",
        "RFC 9110, 4.2.2",
        Verdict.BLOCKED,
    ),
    _by_clients(
        "web-name-mismatch",
        "The certificate does not cover the name",
        "A name that clients open is not among the names of the certificate they are shown.",
        "Have the certificate issued again with the missing name, and import it.",
        "RFC 9110, 4.3.4; RFC 9525, 6",
    ),
)

_EAP_REACH = (
    _rule(
        "eap-closed",
        "The RADIUS port is closed",
        "The node answers that nothing listens on the RADIUS port.",
        "Start the RADIUS service on the node, and check the port in the plan.",
        "RFC 1122, 3.2.2.1",
        Verdict.BLOCKED,
    ),
    _rule(
        "eap-silent",
        "Nothing comes back from the RADIUS port",
        "RADIUS servers are silent to unknown clients and wrong secrets: what clients meet is"
        " not known.",
        "Register this machine's address, as the node sees it, as a RADIUS client; check the"
        " secret and the firewalls.",
        "RFC 2865, 2; RFC 3579, 3.2",
        Verdict.UNSEEN,
    ),
    _rule(
        "eap-secret-differs",
        "The shared secret differs",
        "A reply came whose authenticators do not verify with the plan's secret.",
        "Set the same secret for this machine on the node and in the plan's source of it.",
        "RFC 2865, 3; RFC 3579, 3.2",
        Verdict.UNSEEN,
    ),
    _rule(
        "eap-rejected-early",
        "Rejected before TLS began",
        "The server rejected the identity at once, so its certificate was not seen. Rejecting"
        " unknown identities early is good practice.",
        "Let the server's policy carry the plan's identity and attributes as far as TLS.",
        "RFC 2865, 4.3; RFC 3748, 4.2",
        Verdict.UNSEEN,
    ),
    _rule(
        "eap-method-refused",
        "No EAP method of the plan is agreed",
        "The server agrees to none of the methods that the plan says clients use.",
        "Allow the plan's EAP methods on the server, or correct the methods in the plan.",
        "RFC 3748, 5.3.1",
        Verdict.BLOCKED,
    ),
    _rule(
        "eap-refused",
        "The EAP conversation ends before a certificate is seen",
        "After the client's hello came an alert, a failure, a cut or something unreadable.",
        "Check the server's EAP certificate and key, TLS versions and ciphers, and its log.",
        "RFC 5216, 2.1.3; RFC 9190, 2.1.4",
        Verdict.BLOCKED,
    ),
)

_ANOTHER_LEAF = ("leaf-differs", "leaf-differs-with-root")
"""Whether the root is served with it is another matter to those who remember a certificate."""

_EAP = (
    _by_clients(
        "eap-name-unexpected",
        "The certificate carries none of the expected names",
        "Supplicant profiles expect a name that the certificate does not carry.",
        "Have the certificate issued again with an expected name, and import it.",
        "RFC 9190, 2.2; RFC 5216, 5.2",
    ),
    _by_clients(
        "eap-wildcard-name",
        "The EAP certificate relies on a wildcard",
        "Some supplicants take no wildcard in the certificate's names.",
        "Have the certificate issued again with the expected name in full.",
        "Apple Security framework source, EAP policy",
    ),
    replace(
        _by_clients(
            "eap-leaf-differs",
            "Nodes serve different EAP certificates",
            "Clients that remember one certificate are asked again, or fail, at another node.",
            "Import the same EAP certificate on all nodes, or give clients a profile with root and"
            " name.",
            "RFC 9190, 2.2",
        ),
        objections=_ANOTHER_LEAF,
    ),
    replace(
        _by_clients(
            "eap-root-differs",
            "Nodes lead to different roots",
            "Clients that have one of the roots only fail at the nodes that lead to the other.",
            "Import a certificate of the same CA on all nodes, or give clients both roots first.",
            "RFC 9190, 2.2; RFC 5280, 6.1",
        ),
        objections=("root-differs", "unknown-root"),
    ),
    _by_clients(
        "eap-chain-differs",
        "Nodes serve the same certificate with different intermediates",
        "Clients may find a way to their root at one node and none at another.",
        "Import the same chain on all nodes.",
        "RFC 5216, 5.3",
        None,
    ),
    replace(
        _by_clients(
            "eap-half-renewed",
            "The renewal reached some nodes only",
            "Certificates of the same names and CA are served, some older than others.",
            "Import the newer certificate on the nodes that still serve the older one.",
            "RFC 9190, 2.2",
        ),
        objections=_ANOTHER_LEAF,
    ),
    replace(
        _rule(
            "eap-same-as-web",
            "One certificate for EAP and HTTPS",
            "The same certificate is served on both endpoints: one renewal changes both worlds.",
            "Use a certificate of its own for EAP.",
            "common practice",
            None,
        ),
        basis=Basis.COMMON_PRACTICE,
    ),
)

_PROFILES = (
    replace(
        _by_clients(
            "profile-name-missing",
            "A supplicant profile expects another name",
            "A profile that was given out expects a name that the EAP certificate does not carry:"
            " who has the profile does not get in, or is asked.",
            "Have the certificate issued again with a name that the profile expects, or put the"
            " served name into the profile and give it out again.",
            "RFC 9190, 2.2; RFC 5216, 5.2",
        ),
        objections=("name-unexpected", "wildcard-name"),
    ),
    replace(
        _by_clients(
            "profile-anchor-missing",
            "A supplicant profile lacks the root",
            "The EAP certificate leads to a root that the plan trusts and a profile that was given"
            " out does not hold: who has the profile does not get in, or is asked.",
            "Put the root into the profile and give it out again, or import a certificate of a CA"
            " that the profile has.",
            "RFC 9190, 2.2; RFC 5280, 6.1",
        ),
        objections=("unknown-root",),
    ),
)

_CLUSTER = (
    replace(
        _by_clients(
            "cluster-join-untrusted",
            "Another node would not accept this one",
            "A node's web certificate would be refused by nodes that call it: it leads to a root"
            " that they do not have, or does not cover the node's own name.",
            "Before the node joins, give the other nodes the CA certificates of its chain, or"
            " import a certificate that they accept.",
            "RFC 5280, 6.1; RFC 9525, 6",
        ),
        objections=("unknown-root",),
        worlds=("node",),
    ),
    replace(
        _by_clients(
            "cluster-name-uncovered",
            "A node does not cover a service name",
            "A node that serves a name has a certificate for it that does not carry the name.",
            "Import a certificate that carries the service name on the nodes named.",
            "RFC 9525, 6",
        ),
        objections=("name-mismatch",),
        worlds=("web",),
    ),
)


def _beside(one: Beside) -> Rule:
    if not one.objections:
        rule = _rule(one.id, one.title, one.meaning, one.remedy, one.source, one.floor)
        return replace(rule, basis=one.basis)
    rule = _by_clients(one.id, one.title, one.meaning, one.remedy, one.source, one.floor)
    return replace(rule, objections=one.objections, worlds=one.worlds, basis=one.basis)


RULES: tuple[Rule, ...] = tuple(
    sorted(
        (
            *(_beside(one) for one in NAMES),
            *_twins(),
            *_SHAPES,
            *_published(),
            *_PROOF,
            *_WEB,
            *_EAP_REACH,
            *_EAP,
            *_PROFILES,
            *_CLUSTER,
            *(_beside(one) for one in (*CLOSER, *IN_DEPTH, *RADSEC, *IMPORTS, *BUNDLES)),
        ),
        key=lambda rule: _ORDER[rule.id],
    )
)
"""Every rule that is judged, in catalogue order."""

BY_ID: dict[str, Rule] = {rule.id: rule for rule in RULES}
