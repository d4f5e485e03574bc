"""Entries of the catalogue for what a closer look at EAP shows: the way to the servers and back,
methods and versions, RADIUS itself, and what servers ask of clients. Text only; `catalogue.py`
makes rules of it."""

from probe.assessment import Basis, Verdict
from probe.judge.web_rules import Beside

IN_DEPTH: tuple[Beside, ...] = (
    Beside(
        "eap-families-differ",
        "One key family's certificate fails where the other's does not",
        "A server may hold an RSA and an ECDSA certificate, and each supplicant meets one of them."
        " One of the two fails, or lacks a name that supplicants expect.",
        "Import certificates of both key families with the same names and of a CA that supplicants"
        " have, or take one of them away.",
        "RFC 9846, 4.4.2.2 (formerly RFC 8446); RFC 9190, 2.2",
        Verdict.ADVISED,
        objections=("name-unexpected", "wildcard-name"),
        worlds=("eap",),
    ),
    Beside(
        "eap-unequal-answers",
        "One address serves different certificates",
        "The same conversation shows one certificate now, and another one a moment later.",
        "Restart the RADIUS service altogether, and look for a machine behind the address that was"
        " left out.",
        "common practice",
        Verdict.ADVISED,
        Basis.COMMON_PRACTICE,
    ),
    Beside(
        "eap-fragments-lost",
        "Large packets are lost on the way",
        "The server answers as long as packets are small; those that carry the certificate, and"
        " travel as UDP fragments, do not get through. No supplicant gets on from there.",
        "Let UDP fragments pass between access points and the node, or have the server cut EAP into"
        " smaller fragments.",
        "RFC 2865, 5.12; RFC 3579, 2.4; RFC 5216, 2.1.5",
        Verdict.BLOCKED,
    ),
    Beside(
        "eap-reply-elsewhere",
        "Replies come from another address",
        "The server replies from another address than it is asked at. Access points take replies"
        " from the server that they asked only.",
        "Have the RADIUS service reply from the address that it was asked at.",
        "RFC 2865, 3; RFC 5080, 2.2.2",
        Verdict.BLOCKED,
    ),
    Beside(
        "eap-balancer-splits",
        "A balancer spreads one conversation over several nodes",
        "Conversations with a virtual address break in their midst, and do not at the nodes' own"
        " addresses: each node knows the state of its own conversations only.",
        "Have the balancer keep all packets of one client at one node.",
        "RFC 2865, 5.24; RFC 5080, 2.1.1",
        Verdict.BLOCKED,
    ),
    Beside(
        "eap-method-differs",
        "Another certificate in another method",
        "One node shows different certificates in different EAP methods. Where one of them fails,"
        " that is told by itself.",
        "Nothing has to be done where that is meant; else bind one certificate to all methods.",
        "RFC 9190, 2.2",
        None,
    ),
    Beside(
        "eap-visit-differs",
        "Another certificate in another context",
        "One node shows another certificate to requests of another medium, network or realm. Where"
        " one of them fails, that is told by itself.",
        "Nothing has to be done where that is meant; else bind one certificate to all policies.",
        "RFC 9190, 2.2",
        None,
    ),
    Beside(
        "eap-old-tls",
        "Nothing newer than TLS 1.1 is spoken",
        "TLS 1.0 and 1.1 are not to be used any more. A server that speaks nothing newer keeps"
        " supplicants out that keep to that.",
        "Turn TLS 1.2 and 1.3 on in the server's EAP settings, and older versions off.",
        "RFC 8996, 4 and 5",
        Verdict.ADVISED,
        objections=("old-tls-only",),
        worlds=("eap",),
    ),
    Beside(
        "eap-long-chain",
        "A login takes too many round trips",
        "The chain is so long, or cut into so small fragments, that common authenticators give up"
        " before it is through: some after 40 round trips, others after 50.",
        "Serve fewer or smaller certificates, or raise the fragment size.",
        "RFC 9191, 1 and 3; RFC 5216, 2.1.5",
        Verdict.ADVISED,
    ),
    Beside(
        "eap-unsigned-reply",
        "EAP replies are not signed",
        "A reply with EAP in it carries no valid Message-Authenticator: authenticators discard it.",
        "Have the server put a Message-Authenticator into every reply.",
        "RFC 3579, 3.1 and 3.2",
        Verdict.BLOCKED,
    ),
    Beside(
        "eap-unsigned-accepted",
        "Requests that are not signed are answered",
        "The server answers an EAP request without Message-Authenticator, which it ought to"
        " discard: requests can be forged.",
        "Have the server demand a Message-Authenticator of every client.",
        "RFC 3579, 3.2",
        Verdict.ADVISED,
    ),
    Beside(
        "eap-root-helps-android",
        "Phones set up by hand remember the certificate itself",
        "The root is not in the served chain, so that Android, set up by hand, remembers the"
        " server's certificate: after every renewal its users are asked again, or do not get in.",
        "Serve the root too, or set phones up by a profile with root and name.",
        "AOSP source, insecure EAP network handler; Android, Trust on First Use",
        Verdict.ADVISED,
    ),
    Beside(
        "eap-192-bit",
        "The 192-bit mode is not met",
        "The plan says that WPA3-Enterprise in 192-bit mode is on site. It takes AES-256-GCM with"
        " SHA-384, and P-384 or RSA of 3072 bits in every certificate, signed with SHA-384.",
        "Have the chain issued with such keys and signatures, and enable that cipher.",
        "recollection of the WPA3 specification, no text read; Microsoft, 192-bit profile sample",
        Verdict.ADVISED,
        Basis.MEMORY,
    ),
    Beside(
        "eap-client-authorities-differ",
        "Nodes ask for clients' certificates of different CAs",
        "In EAP-TLS nodes name different CAs whose certificates they take: a client that has one of"
        " a CA gets in at one node, and finds no certificate to show at the next.",
        "Trust the same CAs for client authentication on all nodes.",
        "RFC 5246, 7.4.4; RFC 9846, 4.2.4 (formerly RFC 8446)",
        Verdict.BLOCKED,
    ),
    Beside(
        "eap-client-authority-missing",
        "A CA of the clients is not asked for",
        "In EAP-TLS a node names the CAs whose certificates it takes, and an issuer that the plan"
        " has for clients' certificates is not among them.",
        "Import the CA certificate on the node as trusted for client authentication.",
        "RFC 5246, 7.4.4; RFC 9846, 4.2.4 (formerly RFC 8446)",
        Verdict.BLOCKED,
    ),
    Beside(
        "eap-resumption-on",
        "Sessions are resumed",
        "The server lets clients resume TLS sessions: they are then shown no certificate, and may"
        " meet a new one only hours after it was imported.",
        "Nothing has to be done; keep it in mind after an import, or clear the server's cache.",
        "RFC 5216, 2.1.2; RFC 5077, 3.2",
        None,
    ),
    Beside(
        "cluster-methods-differ",
        "Nodes agree to different EAP methods",
        "Some nodes refuse an EAP method of the plan, or a TLS version, that others agree to: who"
        " needs it gets in at some nodes only.",
        "Allow the same methods and versions on all nodes.",
        "RFC 3748, 5.3.1",
        None,
    ),
)
