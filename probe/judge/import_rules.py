"""Entries of the catalogue for what is seen after an import. Text only; `catalogue.py` makes rules
of it."""

from probe.assessment import Basis, Verdict
from probe.judge.web_rules import Beside

IMPORTS: tuple[Beside, ...] = (
    Beside(
        "import-not-served",
        "The imported certificate is not served",
        "The certificate that was to be imported is served by none of the nodes that were looked"
        " at: the service was not restarted, or it was put in another place.",
        "See that the certificate is chosen for this endpoint, then restart the service.",
        "common practice",
        Verdict.WARNED,
        Basis.COMMON_PRACTICE,
    ),
    Beside(
        "import-other-endpoint",
        "The imported certificate is served on the other endpoint",
        "The certificate is served for EAP and was made for HTTPS, or the other way round: its"
        " names and its root are those of the other endpoint's clients.",
        "Choose it for the endpoint that it was made for, and give this one its own back.",
        "common practice",
        Verdict.WARNED,
        Basis.COMMON_PRACTICE,
    ),
    Beside(
        "import-other-family-left",
        "The other key family still serves another certificate",
        "A server may hold an RSA and an ECDSA certificate, and each client meets one of them. The"
        " imported one is served to clients of its own key family, and the rest still meet another"
        " one of the same CA, or one whose renewal is due.",
        "Import a certificate of the other key family too, or take the one that is left away.",
        "RFC 9846, 4.4.2.2 (formerly RFC 8446)",
        Verdict.WARNED,
        Basis.COMMON_PRACTICE,
    ),
    Beside(
        "import-chain-differs",
        "The imported certificate is served with another chain",
        "A CA certificate that came with the imported one is not sent with it: clients may find no"
        " way to their root.",
        "Import the CA certificates of the bundle too, and restart the service.",
        "RFC 9846, 4.4.2 (formerly RFC 8446); RFC 5280, 6.1",
        Verdict.WARNED,
        Basis.COMMON_PRACTICE,
    ),
    Beside(
        "import-node-missed",
        "The import has not reached this node",
        "Other nodes serve the imported certificate, and this one still serves another.",
        "Import it on the nodes named too, and restart the service there.",
        "common practice",
        Verdict.WARNED,
        Basis.COMMON_PRACTICE,
    ),
)
