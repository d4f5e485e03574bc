"""Entries of the catalogue for bundles before they are imported. Text only; `catalogue.py` makes
rules of it."""

from probe.assessment import Basis, Verdict
from probe.judge.web_rules import Beside

BUNDLES: tuple[Beside, ...] = (
    Beside(
        "bundle-unreadable",
        "A file cannot be read, or holds no server's certificate",
        "What is in the file cannot be had: it is damaged, of another kind, or its password is"
        " missing or wrong. A wrong password, and what this tool does not read, are told from"
        " damage: then nothing is claimed of what is in it.",
        "Have the file written again, or give the right password.",
        "RFC 7292, 4; RFC 5958, 2; RFC 7468",
        Verdict.BLOCKED,
    ),
    Beside(
        "bundle-no-key",
        "There is no private key",
        "The certificate comes without its private key: a node can serve it only if it holds the"
        " key already, which a request that it made shows (--request).",
        "Add the private key, or name the request that the node made with --request.",
        "RFC 9846, 4.4.3 (formerly RFC 8446)",
        Verdict.BLOCKED,
    ),
    Beside(
        "bundle-key-differs",
        "The private key is another one's",
        "The private key, or the request, does not belong to the certificate, or the request is"
        " not signed with the key that it names: nothing can be served with them.",
        "Put the certificate together with the key that its request was made with.",
        "RFC 9846, 4.4.3 (formerly RFC 8446); RFC 2986, 4.2",
        Verdict.BLOCKED,
    ),
    Beside(
        "bundle-chain-incomplete",
        "A CA certificate is missing from the bundle",
        "The certificate of a CA between the server's certificate and the root is not in the"
        " files, so that it would not be served.",
        "Add the missing CA certificate before the import.",
        "RFC 9846, 4.4.2 (formerly RFC 8446); RFC 5216, 5.3",
        Verdict.ADVISED,
        objections=("chain-incomplete", "issuer-not-named"),
        worlds=("web", "eap", "node"),
    ),
    Beside(
        "bundle-old-encryption",
        "The bundle is encrypted in an old way",
        "The encryption or the check of the file is of a kind that is deprecated: it protects the"
        " key badly, and newer systems read it no more, or only if told to.",
        "Write the bundle again with AES-256 and SHA-256.",
        "RFC 7292, B; RFC 8018, 6",
        Verdict.ADVISED,
    ),
    Beside(
        "bundle-trust-needed",
        "The nodes do not have the root that the bundle leads to",
        "Servers take a certificate only if they trust its CA, and other nodes do not accept it"
        " either: the CA certificates up to the root have to be imported first.",
        "Import the CA certificates up to the root into the trusted certificates of every node.",
        "common practice; RFC 5280, 6.1",
        Verdict.ADVISED,
        Basis.COMMON_PRACTICE,
        objections=("unknown-root",),
        worlds=("node",),
    ),
    Beside(
        "bundle-name-uncovered",
        "The certificate does not cover a name of the plan",
        "A name that clients open, or expect, on the nodes that the certificate is meant for is"
        " not among its names.",
        "Have the certificate issued again with the missing names.",
        "RFC 9525, 6; RFC 5216, 5.2",
        Verdict.ADVISED,
        objections=("name-mismatch", "name-unexpected"),
        worlds=("web", "eap", "node"),
    ),
)
