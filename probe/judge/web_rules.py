"""Entries of the catalogue for what a closer look at the web shows: both key families, other times,
names and versions, clocks, and the way there. Text only; `catalogue.py` makes rules of it."""

from probe.assessment import Basis, Verdict
from probe.judge.clients.reactions import World
from probe.records import dataclass


@dataclass(frozen=True, slots=True)
class Beside:
    """One rule."""

    id: str
    title: str
    meaning: str
    remedy: str
    source: str
    floor: Verdict | None
    basis: Basis = Basis.PUBLISHED
    objections: tuple[str, ...] = ()
    """What clients object to; empty: the verdict is the floor."""
    worlds: tuple[World, ...] = ("web",)


CLOSER: tuple[Beside, ...] = (
    Beside(
        "here-clock-off",
        "This machine's clock is off",
        "Several nodes' clocks agree against this machine's by more than five minutes: what is said"
        " of dates is said by a wrong clock.",
        "Set this machine's clock and look again, or judge as of the right time.",
        "RFC 9110, 6.6.1",
        Verdict.ADVISED,
        Basis.COMMON_PRACTICE,
    ),
    Beside(
        "here-intercepted",
        "TLS is inspected on the way from here",
        "At every node a certificate of one CA that the plan does not know is seen, as inspecting"
        " proxies make them: what is said of certificates is not said of the nodes'.",
        "Look from a place without TLS inspection, or have the nodes exempted from it.",
        "RFC 5280, 6.1",
        Verdict.ADVISED,
        Basis.COMMON_PRACTICE,
    ),
    Beside(
        "web-families-differ",
        "One key family's certificate fails where the other's does not",
        "A server may hold an RSA and an ECDSA certificate, and each client meets one of them. One"
        " of the two fails, or lacks a name that clients open.",
        "Import certificates of both key families with the same names and of a CA that clients"
        " have, or take one of them away.",
        "RFC 9846, 4.4.2.2 (formerly RFC 8446); RFC 9525, 6",
        Verdict.ADVISED,
        objections=("name-mismatch",),
        worlds=("web", "node"),
    ),
    Beside(
        "web-unequal-answers",
        "One address serves different certificates",
        "The same hello is answered with one certificate now, and with another one a moment later.",
        "Restart the web service altogether, and look for a machine behind the address that was"
        " left out.",
        "common practice",
        Verdict.ADVISED,
        Basis.COMMON_PRACTICE,
    ),
    Beside(
        "web-default-differs",
        "Another certificate without the name",
        "Clients that send no server name, or one that the node does not know, are shown a"
        " certificate that no name of the plan has.",
        "Bind the certificate of the names to the address itself too, if such clients matter.",
        "RFC 6066, 3",
        None,
    ),
    Beside(
        "web-old-tls",
        "Old TLS versions are spoken",
        "TLS 1.0 and 1.1 are not to be used any more. A server that speaks nothing newer keeps"
        " browsers out.",
        "Turn TLS 1.2 and 1.3 on, and older versions off.",
        "RFC 8996, 4 and 5",
        Verdict.ADVISED,
        objections=("old-tls-only",),
        worlds=("web", "node"),
    ),
    Beside(
        "web-clock-off",
        "A node's clock is off",
        "The node's HTTP Date is more than five minutes away from this machine's clock: it dates"
        " logs and tickets wrongly, and takes good certificates for ended or not begun.",
        "Set the node's time, and see that its time service runs and reaches its servers.",
        "RFC 9110, 6.6.1",
        Verdict.ADVISED,
        Basis.COMMON_PRACTICE,
    ),
    Beside(
        "web-hsts",
        "Warnings cannot be clicked away",
        "The name, or one above it, asks browsers for strict transport: they end every connection"
        " whose certificate they object to, so that who would be warned is blocked.",
        "Nothing has to be done; keep in mind that no visitor can go on past a warning there.",
        "RFC 6797, 8.4 and 12.1",
        None,
    ),
    Beside(
        "web-intercepted",
        "Somebody answers in the place of other names",
        "Where guests are, a name outside the plan is answered with a certificate that is not its"
        " own: every page that a guest opens before the login warns.",
        "Let the gateway reset HTTPS before the login instead of answering it.",
        "RFC 8952, 3.1; RFC 9110, 4.3.4",
        Verdict.WARNED,
        objections=("self-signed", "private-root", "unknown-root", "name-mismatch"),
    ),
    Beside(
        "cluster-client-purpose",
        "The web certificate is not made for calls between nodes",
        "The plan says that nodes call each other with this certificate. Its extended key usage has"
        " no clientAuth, or that of its successor, of a public CA, will not have it.",
        "Give calls between nodes a certificate of their own, of a private CA that nodes trust.",
        "RFC 5280, 4.2.1.12; Chrome Root Program Policy 1.8, 1.3.2",
        Verdict.BLOCKED,
        objections=("client-purpose",),
        worlds=("node",),
    ),
    Beside(
        "cluster-half-renewed",
        "The web renewal reached some nodes only",
        "Web certificates of the same names and CA are served, some older than others: the older"
        " ones end without anybody noticing that they were to be replaced.",
        "Import the newer certificate on the nodes that still serve the older one.",
        "common practice",
        Verdict.ADVISED,
        Basis.COMMON_PRACTICE,
    ),
)
