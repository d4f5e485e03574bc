"""Entries of the catalogue for RadSec (RADIUS over TLS): a world of its own, whose peers are access
points and proxies. No reaction of theirs is known by kind, so each verdict stands here. Text only;
`catalogue.py` makes rules of it."""

from probe.assessment import Basis, Verdict
from probe.judge.web_rules import Beside

RADSEC: tuple[Beside, ...] = (
    Beside(
        "radsec-closed",
        "The RadSec port is closed, or cuts",
        "Nothing takes connections on the port, or what does ends them before it shows a"
        " certificate: no peer gets a request through.",
        "Start the RadSec service of the node, and open TCP to its port.",
        "RFC 6614, 2.1 and 2.3",
        Verdict.BLOCKED,
    ),
    Beside(
        "radsec-silent",
        "RadSec says nothing",
        "Nothing comes back from the port, or nothing inside TLS. Whether peers get on is not known"
        " from here.",
        "Check routes and firewalls between this machine and the node.",
        "RFC 6614, 2.3; RFC 6613, 2.4",
        Verdict.UNSEEN,
    ),
    Beside(
        "radsec-refused",
        "RadSec refuses, or speaks something else",
        "The server ends the handshake with an alert, cannot prove its key, or says what is no TLS"
        " or no RADIUS.",
        "Check the TLS settings and the log of the RadSec service.",
        "RFC 6614, 2.3; RFC 9846, 6.2 (formerly RFC 8446)",
        Verdict.BLOCKED,
    ),
    Beside(
        "radsec-expired",
        "A RadSec certificate is outside its dates",
        "The server's certificate, or one that it leads by, has ended or has not begun: peers end"
        " the connection.",
        "Renew the certificate, import it, and restart the RadSec service.",
        "RFC 6614, 2.3; RFC 5280, 4.1.2.5 and 6.1.3",
        Verdict.BLOCKED,
    ),
    Beside(
        "radsec-expiring",
        "The RadSec certificate ends soon",
        "The server's certificate ends within the plan's window; from then on no peer connects.",
        "Renew the certificate before it ends, import it, and restart the RadSec service.",
        "RFC 6614, 2.3; RFC 5280, 4.1.2.5",
        Verdict.DUE,
    ),
    Beside(
        "radsec-unknown-root",
        "The RadSec certificate leads to no root of its peers",
        "The chain ends outside the roots that the plan has for RadSec, or no valid path leads"
        " there: peers, which trust these roots alone, end the connection.",
        "Import a certificate issued by the CA of the RadSec peers, and restart the service.",
        "RFC 6614, 2.3; RFC 5280, 6.1",
        Verdict.BLOCKED,
    ),
    Beside(
        "radsec-name-mismatch",
        "The RadSec certificate has another name",
        "The certificate holds none of the names by which peers know the server: as a DNS name or"
        " an address, or as the realm that it is responsible for. In the common name alone, some"
        " peers take it and some do not: that is advised.",
        "Have the certificate issued again with the name that peers are set up with.",
        "RFC 6614, 2.3; RFC 9525, 6; RFC 7585, 2.2",
        Verdict.BLOCKED,
    ),
    Beside(
        "radsec-chain-incomplete",
        "The RadSec chain is not whole",
        "A CA certificate between the server's own and the root is not sent. Access points and"
        " proxies do not fetch what is missing.",
        "Import the missing CA certificate with the server's, and restart the RadSec service.",
        "RFC 9846, 4.4.2 (formerly RFC 8446); RFC 5246, 7.4.2",
        Verdict.BLOCKED,
    ),
    Beside(
        "radsec-wrong-purpose",
        "The RadSec certificate is not for a server",
        "Its extended key usage leaves out server authentication, its key usage does not let the"
        " key sign, or it is a CA's.",
        "Have it issued again for server authentication, and for client authentication too if the"
        " node opens RadSec connections with it.",
        "RFC 5280, 4.2.1.3 and 4.2.1.12; RFC 6614, 2.3",
        Verdict.BLOCKED,
    ),
    Beside(
        "radsec-weak-key",
        "A RadSec key or signature is weak",
        "A key below RSA 2048 or on a curve that is not in use, or a signature with MD5 or SHA-1,"
        " stands on the path below the root. Peers with current libraries refuse some of them.",
        "Make a key of RSA 2048 bits or more, or of P-256 or P-384, and have it certified with"
        " SHA-256.",
        "RFC 9325, 4.5; RFC 9155, 2",
        Verdict.ADVISED,
    ),
    Beside(
        "radsec-old-tls",
        "RadSec speaks old TLS versions",
        "TLS 1.0 and 1.1 are not to be used any more. A server that speaks nothing newer keeps"
        " current peers out.",
        "Turn TLS 1.2 and 1.3 on, and older versions off.",
        "RFC 8996, 4 and 5; RFC 9325, 3.1.1",
        Verdict.ADVISED,
    ),
    Beside(
        "radsec-no-client-certificate-asked",
        "RadSec takes peers without a certificate",
        "The server asks its peers for no certificate in the handshake. Their shared secret is the"
        " same for all the world, so anybody who reaches the port may send requests.",
        "Have the RadSec service demand a certificate of its peers, of their CA alone.",
        "RFC 6614, 2.3",
        Verdict.ADVISED,
        Basis.PUBLISHED,
    ),
)
