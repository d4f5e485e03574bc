"""Assessments built by hand, as the judge would hand them over. Nothing here is judged."""

import hashlib
from datetime import UTC, datetime, timedelta

from probe.assessment import (
    Accepted,
    Apart,
    Assessment,
    Basis,
    Does,
    Evidence,
    Felt,
    Finding,
    Folded,
    Headline,
    NodeVerdict,
    Note,
    NotServed,
    Reaction,
    RootStore,
    ServedChain,
    Verdict,
)
from probe.certificate.facts import CertFacts, Name
from probe.observation.model import (
    EapSeen,
    Endpoint,
    Handshake,
    HandshakeAsk,
    KeyFamily,
    Lookup,
    LookupAsk,
    LookupOutcome,
    Method,
    Outcome,
    Phase,
    Question,
    Served,
    Survey,
    Taken,
    TlsVersion,
)
from probe.records import replace

AT = datetime(2026, 11, 25, 1, 47, 8, 654321, UTC)


def facts(
    common_name: str, issuer: str = "Northpier EAP Issuing CA", **changes: object
) -> CertFacts:
    """A readable RSA certificate; its fingerprint follows from its common name."""
    made = CertFacts(
        sha256=sha(common_name),
        readable=True,
        damaged=(),
        oddities=(),
        subject=f"CN={common_name},O=Northpier Ferries",
        issuer=f"CN={issuer},O=Northpier Ferries",
        subject_raw=b"",
        issuer_raw=b"",
        serial="4d0f",
        names=(Name("dns", common_name),) if "." in common_name else (),
        common_name=common_name,
        common_names=(common_name,),
        not_before=datetime(2026, 3, 1, tzinfo=UTC),
        not_after=datetime(2027, 3, 1, 12, 0, tzinfo=UTC),
        key="RSA 2048",
        key_family=KeyFamily.RSA,
        key_bits=2048,
        spki=b"",
        signature="sha256WithRSAEncryption",
        is_ca=None,
        path_length=None,
        key_usage=("digitalSignature",),
        extended_key_usage=("1.3.6.1.5.5.7.3.1",),
        subject_key_id=None,
        authority_key_id=None,
        extensions=(),
        version=3,
        self_issued=False,
        self_signed=False,
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def der(common_name: str) -> bytes:
    """Stands for the DER of a certificate: the reports never read it."""
    return f"DER of {common_name}".encode("utf-8", "surrogateescape")


def sha(common_name: str) -> str:
    return hashlib.sha256(der(common_name)).hexdigest()


WEB_LEAF = facts(
    "guest.northpier.example",
    "Harbour Public CA 3",
    names=(
        Name("dns", "guest.northpier.example"),
        Name("dns", "quay1.northpier.example"),
        Name("dns", "quay2.northpier.example"),
        Name("dns", "quay3.northpier.example"),
        Name("dns", "quay4.northpier.example"),
    ),
    key="P-256",
    key_family=KeyFamily.ECDSA,
)
WEB_CA = facts("Harbour Public CA 3", "Harbour Public Root", is_ca=True)
EAP_LEAF = facts("radius.northpier.example")
EAP_CA = facts("Northpier EAP Issuing CA", "Northpier Root", is_ca=True)
ODD_LEAF = facts(
    "quay4.northpier.example",
    "quay4.northpier.example",
    self_issued=True,
    self_signed=True,
    not_after=datetime(2036, 11, 1, tzinfo=UTC),
)
ALL_FACTS = {f.sha256: f for f in (WEB_LEAF, WEB_CA, EAP_LEAF, EAP_CA, ODD_LEAF)}


def web_question(node: str, address: str, name: str) -> Question:
    return Question(
        f"web/{node}/{address}:443/{name}",
        Endpoint.WEB,
        (node,),
        handshake=HandshakeAsk(address, 443, name=name, server_name=name),
    )


def eap_question(node: str, address: str, method: Method = Method.PEAP) -> Question:
    return Question(
        f"eap/{node}/{address}:1812/{method}",
        Endpoint.EAP,
        (node,),
        handshake=HandshakeAsk(address, 1812, methods=(method,)),
    )


def lookup_question(nodes: tuple[str, ...], name: str, kind: str = "A") -> Question:
    return Question(
        f"dns/10.0.9.53@guest/{name}/{kind}",
        Endpoint.DNS,
        nodes,
        lookup=LookupAsk(name, kind, "10.0.9.53", "guest"),
    )


def handshake(question: Question, *chain: CertFacts, **changes: object) -> Handshake:
    """A visit that was served this chain; `changes` make it another one."""
    assert question.handshake is not None
    eap = question.endpoint is Endpoint.EAP
    made = Handshake(
        question=question.id,
        endpoint=question.endpoint,
        nodes=question.nodes,
        asked=question.handshake,
        at=AT,
        seconds=0.02034567,
        outcome=Outcome.SERVED,
        phase=Phase.FINISH,
        round_trips=5 if eap else None,
        served=Served(
            chain=tuple(item.sha256 for item in chain),
            tls=TlsVersion.TLS1_2,
            cipher="ECDHE-RSA-AES256-GCM-SHA384",
            group="X25519",
            key_family=chain[0].key_family,
            key_proven=True,
        )
        if chain
        else None,
        eap=EapSeen(Method.PEAP, ("PEAP",)) if eap else None,
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def answer(question: Question, **changes: object) -> Lookup:
    assert question.lookup is not None
    made = Lookup(
        question.id,
        question.lookup,
        AT,
        0.001,
        LookupOutcome.ANSWERED,
        data=("192.0.2.11",),
        ttl=300,
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def healthy(count: int = 4) -> Assessment:
    """A cluster of equal nodes in which nothing is wrong."""
    names = tuple(f"quay{number}" for number in range(1, count + 1))
    questions: list[Question] = []
    handshakes: list[Handshake] = []
    lookups: list[Lookup] = []
    for number, name in enumerate(names, 11):
        address = f"192.0.{2 + number // 256}.{number % 256}"
        host = f"{name}.northpier.example"
        asked = lookup_question((name,), host)
        web, eap = web_question(name, address, host), eap_question(name, address)
        questions += [asked, web, eap]
        lookups.append(answer(asked, data=(address,)))
        handshakes += [handshake(web, WEB_LEAF, WEB_CA), handshake(eap, EAP_LEAF, EAP_CA)]
    known = (WEB_LEAF, WEB_CA, EAP_LEAF, EAP_CA)
    return Assessment(
        plan_name="Northpier Ferries network access",
        catalogue="1",
        roots=(
            RootStore("certifi", "2026.10.19", 117),
            RootStore("pki/northpier-root.pem", None, 1),
        ),
        judged_at=AT,
        verdict=Verdict.SOUND,
        complete=True,
        survey=Survey(
            taken=(Taken(AT - timedelta(seconds=2), AT, "head office", "pier-admin"),),
            plan_digest="0" * 64,
            questions=tuple(questions),
            lookups=tuple(lookups),
            handshakes=tuple(handshakes),
            certificates={f.sha256: der(str(f.common_name)) for f in known},
        ),
        facts={f.sha256: f for f in known},
        public={
            WEB_LEAF.sha256: "yes",
            WEB_CA.sha256: "yes",
            EAP_LEAF.sha256: "no",
            EAP_CA.sha256: "no",
        },
        nodes=tuple(NodeVerdict(name, Verdict.SOUND) for name in names),
        findings=(),
        notes=(),
        served=(
            ServedChain(
                Endpoint.WEB,
                (WEB_LEAF.sha256, WEB_CA.sha256),
                names,
                ("guest.northpier.example",),
                (),
                Verdict.SOUND,
                (),
                "Harbour Public Root",
                False,
            ),
            ServedChain(
                Endpoint.EAP,
                (EAP_LEAF.sha256, EAP_CA.sha256),
                names,
                (),
                ("PEAP", "EAP-TLS"),
                Verdict.SOUND,
                (),
                "Northpier Root",
                False,
            ),
        ),
        not_served=(),
        unseen=(),
    )


SELF_SIGNED = Finding(
    id="eap-self-signed/eap/quay4/1f0c",
    rule="eap-self-signed",
    verdict=Verdict.BLOCKED,
    endpoint=Endpoint.EAP,
    nodes=("quay4",),
    name=None,
    addresses=("192.0.2.14",),
    certificates=(ODD_LEAF.sha256,),
    clients=("windows-eap", "android-eap"),
    reactions=(
        Reaction("windows-eap", "profile", Does.REFUSES, "Can't connect to this network"),
        Reaction("android-eap", "profile", Does.REFUSES, None),
        Reaction("linux-eap", "profile", Does.REFUSES, None),
    ),
    due=None,
    folded=(
        Folded(
            "eap-leaf-differs/eap/quay4/77aa",
            "eap-leaf-differs",
            "quay4 serves another EAP certificate than the other three nodes.",
            ("quay4",),
        ),
    ),
    accepted=None,
    says="The EAP certificate of quay4 is its own issuer, and no root that supplicants were given.",
    evidence=(
        Evidence("subject", ODD_LEAF.subject, "eap/quay4/192.0.2.14:1812/PEAP"),
        Evidence("issuer", ODD_LEAF.issuer, "eap/quay4/192.0.2.14:1812/PEAP"),
        Evidence(
            "the other nodes serve",
            "CN=radius.northpier.example,O=Northpier Ferries",
            "eap/quay1/192.0.2.11:1812/PEAP",
        ),
    ),
    remedy="Bind the certificate of radius.northpier.example to EAP on quay4, and restart the "
    "service that serves it.",
    source="RFC 5216, 5.3",
    basis=Basis.PUBLISHED,
)
CLOSED = Finding(
    id="web-closed/web/quay3/9b1e",
    rule="web-closed",
    verdict=Verdict.BLOCKED,
    endpoint=Endpoint.WEB,
    nodes=("quay3",),
    name=None,
    addresses=("192.0.2.13",),
    certificates=(),
    clients=(),
    reactions=(),
    due=None,
    folded=(),
    accepted=None,
    says="Port 443 of quay3 is closed.",
    evidence=(Evidence("outcome", "closed", "web/quay3/192.0.2.13:443/quay3.northpier.example"),),
    remedy="Start the web service on quay3, or open the port for this network.",
    source="RFC 9293, 3.10.7.1",
    basis=Basis.PUBLISHED,
)
EXPIRING = Finding(
    id="web-expiring/web/quay1,quay2,quay4/30aa",
    rule="web-expiring",
    verdict=Verdict.DUE,
    endpoint=Endpoint.WEB,
    nodes=("quay1", "quay2", "quay4"),
    name=None,
    addresses=(),
    certificates=(WEB_LEAF.sha256,),
    clients=("chromium-web", "apple-web"),
    reactions=(
        Reaction("chromium-web", None, Does.WARNS, "NET::ERR_CERT_DATE_INVALID"),
        Reaction("apple-web", None, Does.WARNS, None),
    ),
    due=datetime(2026, 12, 9, 12, 0, tzinfo=UTC),
    folded=(),
    accepted=Accepted(
        "the renewal is ordered", datetime(2026, 12, 1, 23, 59, 59, tzinfo=UTC), False
    ),
    says="The web certificate of quay1, quay2 and quay4 ends in 14 days.",
    evidence=(Evidence("ends", "2026-12-09 12:00 UTC", None),),
    remedy="Renew it and import it on every node.",
    source="RFC 5280, 4.1.2.5",
    basis=Basis.PUBLISHED,
)
SAME = Note(
    "eap-same-as-web",
    Endpoint.EAP,
    ("quay2",),
    None,
    "One certificate serves both web and EAP.",
    "common practice",
)


def troubled() -> Assessment:
    """The same cluster of four with a self-signed EAP leaf, a closed port and a renewal ahead."""
    sound = healthy()
    odd = ServedChain(
        Endpoint.EAP,
        (ODD_LEAF.sha256,),
        ("quay4",),
        (),
        ("PEAP",),
        Verdict.BLOCKED,
        (SELF_SIGNED.id,),
        None,
        True,
    )
    web, eap = sound.served
    silent = replace(eap_question("quay2", "192.0.2.12", Method.EAP_TLS))
    survey = sound.survey
    handshakes = [
        record
        for record in survey.handshakes
        if not record.question.startswith(("web/quay3/", "eap/quay4/"))
    ]
    by_id = {question.id: question for question in survey.questions}
    handshakes.append(
        handshake(
            by_id["web/quay3/192.0.2.13:443/quay3.northpier.example"],
            outcome=Outcome.CLOSED,
            phase=Phase.CONNECT,
        )
    )
    handshakes.append(handshake(by_id["eap/quay4/192.0.2.14:1812/PEAP"], ODD_LEAF))
    return replace(
        sound,
        verdict=Verdict.BLOCKED,
        complete=False,
        survey=replace(
            survey,
            questions=(*survey.questions, silent),
            handshakes=tuple(handshakes),
            certificates=survey.certificates | {ODD_LEAF.sha256: der("quay4.northpier.example")},
        ),
        facts=ALL_FACTS,
        public=sound.public | {ODD_LEAF.sha256: "no"},
        nodes=(
            NodeVerdict("quay1", Verdict.SOUND),
            NodeVerdict("quay2", Verdict.UNSEEN),
            NodeVerdict("quay3", Verdict.BLOCKED),
            NodeVerdict("quay4", Verdict.BLOCKED),
        ),
        findings=(SELF_SIGNED, CLOSED, EXPIRING),
        notes=(SAME,),
        served=(
            replace(
                web,
                nodes=("quay1", "quay2", "quay4"),
                verdict=Verdict.DUE,
                findings=(EXPIRING.id,),
            ),
            replace(eap, nodes=("quay1", "quay2", "quay3")),
            odd,
        ),
        not_served=(
            NotServed(Endpoint.WEB, "closed", ("quay3",), Verdict.BLOCKED, (CLOSED.id,), True),
        ),
        unseen=(silent.id,),
        headline=Headline(
            felt=(
                Felt(
                    Verdict.BLOCKED,
                    Endpoint.EAP,
                    ("windows-eap", "android-eap", "linux-eap"),
                    ("quay4",),
                    (),
                    (SELF_SIGNED.id,),
                ),
                Felt(Verdict.BLOCKED, Endpoint.WEB, (), ("quay3",), (), (CLOSED.id,)),
            ),
            apart=(
                Apart(("quay3",), Verdict.BLOCKED, (), (Endpoint.WEB,), (CLOSED.id,)),
                Apart(("quay4",), Verdict.BLOCKED, (Endpoint.EAP,), (), (SELF_SIGNED.id,)),
            ),
            first=SELF_SIGNED.id,
        ),
        client_titles={
            "windows-eap": "Windows 802.1X",
            "android-eap": "Android 802.1X",
            "linux-eap": "Linux 802.1X",
            "chromium-web": "Chromium browsers",
            "apple-web": "Apple browsers",
        },
    )
