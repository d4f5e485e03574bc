"""What each scenario of the lab must be called: exactly these findings and no more.

The expectations are written by hand from the scenario's own comment and the catalogue, as
(rule, endpoint, nodes, name). Certificates are made for one day and judged as of that day.
"""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario, known
from probe.judge.catalogue import BY_ID
from tests.running import Result, probe

DAY = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)

THIRD = ("quay3",)
ALL = ("quay1", "quay2", "quay3")
GUEST = "guest.northpier.example"
ONBOARD = "onboard.northpier.example"
HOST3 = "quay3.northpier.example"

Found = tuple[str, str, tuple[str, ...], str | None]

EXPECTED: dict[str, tuple[int, set[Found]]] = {
    "cluster-client-purpose": (1, {("cluster-client-purpose", "cluster", THIRD, None)}),
    "cluster-client-purpose-renewal": (1, {("cluster-client-purpose", "cluster", ALL, None)}),
    "cluster-half-renewed": (0, {("cluster-half-renewed", "cluster", THIRD, None)}),
    "cluster-join-untrusted": (1, {("cluster-join-untrusted", "cluster", THIRD, None)}),
    "cluster-methods-differ": (1, {("cluster-methods-differ", "cluster", THIRD, None)}),
    "cluster-methods-differ-harmless": (0, set()),
    "cluster-methods-differ-versions": (0, set()),
    "cluster-name-uncovered": (1, {("cluster-name-uncovered", "cluster", THIRD, GUEST)}),
    "complaint-name-and-version": (
        1,
        {("dns-no-address", "dns", ALL, ONBOARD), ("web-refused", "web", ("quay2",), None)},
    ),
    "complaint-one-certificate": (
        1,
        {("web-expired", "web", THIRD, None), ("web-name-mismatch", "web", THIRD, GUEST)},
    ),
    "complaint-one-order": (1, {("eap-leaf-differs", "eap", THIRD, None)}),
    "complaint-two-endpoints": (
        1,
        {("eap-expired", "eap", ("quay2",), None), ("web-expired", "web", THIRD, None)},
    ),
    "complaint-two-pages": (
        1,
        {
            ("web-chain-incomplete", "web", ("quay2",), None),
            ("web-name-mismatch", "web", THIRD, GUEST),
        },
    ),
    "complaint-two-sites": (
        1,
        {
            ("eap-name-unexpected", "eap", ("quay1",), None),
            ("eap-unknown-root", "eap", THIRD, None),
        },
    ),
    "dns-broken-alias": (1, {("dns-broken-alias", "dns", ALL, GUEST)}),
    "dns-broken-alias-long": (1, {("dns-broken-alias", "dns", ALL, GUEST)}),
    "dns-broken-alias-loop": (1, {("dns-broken-alias", "dns", ALL, GUEST)}),
    "dns-broken-alias-odd-name": (1, {("dns-broken-alias", "dns", ALL, GUEST)}),
    "dns-caa-forbids": (1, {("dns-caa-forbids", "dns", ALL, None)}),
    "dns-caa-forbids-critical": (1, {("dns-caa-forbids", "dns", ALL, GUEST)}),
    "dns-caa-forbids-eap": (1, {("dns-caa-forbids", "dns", ALL, "radius.northpier.example")}),
    "dns-caa-forbids-other-ca": (1, {("dns-caa-forbids", "dns", ALL, GUEST)}),
    "dns-caa-forbids-unknown": (4, {("dns-caa-forbids", "dns", ALL, None)}),
    "dns-caa-forbids-wildcard": (1, {("dns-caa-forbids", "dns", ALL, "northpier.example")}),
    "dns-no-address": (1, {("dns-no-address", "dns", THIRD, HOST3)}),
    "dns-no-address-empty": (1, {("dns-no-address", "dns", ALL, ONBOARD)}),
    "dns-no-address-guest-view": (1, {("dns-no-address", "dns", ALL, GUEST)}),
    "dns-no-address-short-name": (1, {("dns-no-address", "dns", THIRD, "quay3")}),
    "dns-no-answer": (4, {("dns-no-answer", "dns", ALL, None)}),
    "dns-no-answer-caa": (4, {("dns-no-answer", "dns", ALL, GUEST)}),
    "dns-no-answer-cut-off": (4, {("dns-no-answer", "dns", THIRD, HOST3)}),
    "dns-no-answer-garbage": (4, {("dns-no-answer", "dns", THIRD, HOST3)}),
    "dns-no-answer-invalid": (1, {("dns-no-answer", "dns", THIRD, HOST3)}),
    "dns-no-answer-lame": (4, {("dns-no-answer", "dns", ALL, None)}),
    "dns-no-answer-one-address": (4, {("dns-no-answer", "dns", THIRD, HOST3)}),
    "dns-no-answer-other-id": (4, {("dns-no-answer", "dns", THIRD, HOST3)}),
    "dns-no-answer-other-question": (4, {("dns-no-answer", "dns", THIRD, HOST3)}),
    "dns-no-answer-pointer-loop": (4, {("dns-no-answer", "dns", THIRD, HOST3)}),
    "dns-no-answer-refused": (4, {("dns-no-answer", "dns", ALL, None)}),
    "dns-no-answer-silent": (4, {("dns-no-answer", "dns", THIRD, HOST3)}),
    "dns-no-answer-without-tcp": (4, {("dns-no-answer", "dns", THIRD, HOST3)}),
    "dns-partly-wrong": (1, {("dns-partly-wrong", "dns", ALL, GUEST)}),
    "dns-partly-wrong-flood": (1, {("dns-partly-wrong", "dns", ALL, GUEST)}),
    "dns-partly-wrong-missing": (1, {("dns-partly-wrong", "dns", THIRD, GUEST)}),
    "dns-reverse-differs": (0, set()),
    "dns-tlsa-mismatch": (0, {("dns-tlsa-mismatch", "dns", ALL, GUEST)}),
    "dns-unserved-family": (0, {("dns-unserved-family", "dns", ("quay1",), None)}),
    "dns-unserved-family-ipv4": (1, {("dns-unserved-family", "dns", ("quay1",), None)}),
    "dns-views-differ": (1, {("dns-views-differ", "dns", THIRD, GUEST)}),
    "dns-views-differ-wrong": (1, {("dns-wrong-address", "dns", ALL, GUEST)}),
    "dns-wildcard-answer": (0, set()),
    "dns-wrong-address": (1, {("dns-wrong-address", "dns", THIRD, HOST3)}),
    "dns-wrong-address-odd-name": (1, {("dns-wrong-address", "dns", THIRD, HOST3)}),
    "dns-wrong-address-other-node": (1, {("dns-wrong-address", "dns", THIRD, HOST3)}),
    "eap-192-bit": (0, {("eap-192-bit", "eap", THIRD, None)}),
    "eap-anchor-expiring": (1, {("eap-anchor-expiring", "eap", ALL, None)}),
    "eap-balancer-splits": (1, {("eap-balancer-splits", "eap", ALL, None)}),
    "eap-chain-differs": (0, set()),
    "eap-chain-disordered": (1, {("eap-chain-disordered", "eap", THIRD, None)}),
    "eap-chain-incomplete": (1, {("eap-chain-incomplete", "eap", THIRD, None)}),
    "eap-chain-surplus": (0, set()),
    "eap-client-authorities-differ": (1, {("eap-client-authorities-differ", "eap", THIRD, None)}),
    "eap-client-authorities-differ-harmless": (0, set()),
    "eap-client-authorities-none": (0, set()),
    "eap-client-authority-missing": (1, {("eap-client-authority-missing", "eap", ALL, None)}),
    "eap-client-authority-missing-one-node": (
        1,
        {("eap-client-authority-missing", "eap", THIRD, None)},
    ),
    "eap-client-ca-expiring": (1, {("eap-client-ca-expiring", "eap", ALL, None)}),
    "eap-client-crl-stale": (1, {("eap-client-crl-stale", "eap", ALL, None)}),
    "eap-closed": (1, {("eap-closed", "eap", THIRD, None)}),
    "eap-empty-subject": (0, {("eap-empty-subject", "eap", ALL, None)}),
    "eap-expired": (1, {("eap-expired", "eap", ALL, None)}),
    "eap-expired-one-node": (1, {("eap-expired", "eap", THIRD, None)}),
    "eap-expiring": (1, {("eap-expiring", "eap", ALL, None)}),
    "eap-families-differ": (1, {("eap-families-differ", "eap", THIRD, None)}),
    "eap-fragments-lost": (1, {("eap-fragments-lost", "eap", THIRD, None)}),
    "eap-fragments-lost-unheeded": (1, {("eap-refused", "eap", THIRD, None)}),
    "eap-half-renewed": (0, {("eap-half-renewed", "eap", THIRD, None)}),
    "eap-key-unproven": (1, {("eap-key-unproven", "eap", THIRD, None)}),
    "eap-leaf-differs": (1, {("eap-leaf-differs", "eap", THIRD, None)}),
    "eap-long-chain": (0, {("eap-long-chain", "eap", THIRD, None)}),
    "eap-long-chain-blocked": (1, {("eap-long-chain", "eap", THIRD, None)}),
    "eap-malformed": (1, {("eap-malformed", "eap", THIRD, None)}),
    "eap-method-differs": (0, set()),
    "eap-method-differs-expired": (1, {("eap-expired", "eap", THIRD, None)}),
    "eap-method-refused": (1, {("eap-method-refused", "eap", THIRD, None)}),
    "eap-name-unexpected": (1, {("eap-name-unexpected", "eap", THIRD, None)}),
    "eap-no-alternative-names": (0, {("eap-no-alternative-names", "eap", ALL, None)}),
    "eap-path-invalid": (1, {("eap-path-invalid", "eap", THIRD, None)}),
    "eap-not-yet-valid": (1, {("eap-not-yet-valid", "eap", THIRD, None)}),
    "eap-old-tls": (1, {("eap-old-tls", "eap", THIRD, None)}),
    "eap-override-disabled": (0, set()),
    "eap-public-root": (1, {("eap-public-root", "eap", ALL, None)}),
    "eap-refused": (1, {("eap-refused", "eap", THIRD, None)}),
    "eap-refused-cut-off": (1, {("eap-refused", "eap", THIRD, None)}),
    "eap-refused-garbage": (1, {("eap-refused", "eap", THIRD, None)}),
    "eap-refused-naks": (1, {("eap-refused", "eap", THIRD, None)}),
    "eap-refused-not-tls": (1, {("eap-refused", "eap", THIRD, None)}),
    "eap-refused-rejects-hello": (1, {("eap-refused", "eap", THIRD, None)}),
    "eap-rejected-early": (4, {("eap-rejected-early", "eap", THIRD, None)}),
    "eap-rejected-early-cause": (4, {("eap-rejected-early", "eap", THIRD, None)}),
    "eap-reply-elsewhere": (1, {("eap-reply-elsewhere", "eap", THIRD, None)}),
    "eap-resumption-on": (0, set()),
    "eap-revocation-unknown": (0, {("eap-revocation-unknown", "eap", ALL, None)}),
    "eap-revoked": (1, {("eap-revoked", "eap", ALL, None)}),
    "eap-root-differs": (1, {("eap-root-differs", "eap", THIRD, None)}),
    "eap-root-differs-public": (1, {("eap-root-differs", "eap", THIRD, None)}),
    "eap-root-helps-android": (0, {("eap-root-helps-android", "eap", ALL, None)}),
    "eap-same-as-web": (0, set()),
    "eap-secret-differs": (4, {("eap-secret-differs", "eap", THIRD, None)}),
    "eap-self-signed": (1, {("eap-self-signed", "eap", THIRD, None)}),
    "eap-silent": (4, {("eap-silent", "eap", THIRD, None)}),
    "eap-silent-everywhere": (4, {("eap-silent", "eap", ALL, None)}),
    "eap-silent-known": (4, {("eap-silent", "eap", THIRD, None)}),
    "eap-staple-bad": (0, {("eap-staple-bad", "eap", THIRD, None)}),
    "eap-staple-missing": (0, {("eap-staple-missing", "eap", ALL, None)}),
    "eap-unknown-root": (1, {("eap-unknown-root", "eap", THIRD, None)}),
    "eap-unequal-answers": (0, {("eap-unequal-answers", "eap", THIRD, None)}),
    "eap-unsigned-accepted": (0, {("eap-unsigned-accepted", "eap", THIRD, None)}),
    "eap-unsigned-reply": (1, {("eap-unsigned-reply", "eap", THIRD, None)}),
    "eap-unsigned-reply-last": (0, set()),
    "eap-visit-differs": (0, set()),
    "eap-visit-differs-expired": (1, {("eap-expired", "eap", THIRD, None)}),
    "eap-weak-key": (0, {("eap-weak-key", "eap", ALL, None)}),
    "eap-weak-signature": (1, {("eap-weak-signature", "eap", ALL, None)}),
    "eap-wildcard-name": (1, {("eap-wildcard-name", "eap", ALL, None)}),
    "eap-wrong-purpose": (1, {("eap-wrong-purpose", "eap", ALL, None)}),
    "here-clock-off": (0, {("here-clock-off", "web", (), None)}),
    "here-intercepted": (
        1,
        {("here-intercepted", "web", (), None), ("web-unknown-root", "web", ALL, None)},
    ),
    "import-chain-differs": (1, {("import-chain-differs", "web", THIRD, None)}),
    "import-chain-differs-eap": (1, {("import-chain-differs", "eap", THIRD, None)}),
    "import-node-missed": (1, {("import-node-missed", "web", THIRD, None)}),
    "import-node-missed-eap": (1, {("import-node-missed", "eap", THIRD, None)}),
    "import-not-served": (1, {("import-not-served", "web", ALL, None)}),
    "import-not-served-eap": (1, {("import-not-served", "eap", ALL, None)}),
    "import-other-endpoint": (1, {("import-other-endpoint", "web", THIRD, None)}),
    "import-other-endpoint-eap": (1, {("import-other-endpoint", "eap", THIRD, None)}),
    "import-other-family-left": (1, {("import-other-family-left", "web", THIRD, None)}),
    "import-other-family-left-eap": (1, {("import-other-family-left", "eap", THIRD, None)}),
    "northpier-demo": (
        1,
        {
            ("dns-wrong-address", "dns", ("quay4",), "quay4.northpier.example"),
            ("eap-expired", "eap", ("quay2",), None),
            ("eap-silent", "eap", ("quay4",), None),
            ("web-chain-incomplete", "web", THIRD, None),
            ("web-expiring", "web", ("quay2",), None),
        },
    ),
    "radsec-chain-incomplete": (1, {("radsec-chain-incomplete", "radsec", THIRD, None)}),
    "radsec-closed": (1, {("radsec-closed", "radsec", THIRD, None)}),
    "radsec-closed-cut-off": (1, {("radsec-closed", "radsec", THIRD, None)}),
    "radsec-expired": (1, {("radsec-expired", "radsec", THIRD, None)}),
    "radsec-expired-issuer": (1, {("radsec-expired", "radsec", THIRD, None)}),
    "radsec-expired-not-yet": (1, {("radsec-expired", "radsec", THIRD, None)}),
    "radsec-expiring": (1, {("radsec-expiring", "radsec", THIRD, None)}),
    "radsec-name-mismatch": (1, {("radsec-name-mismatch", "radsec", THIRD, None)}),
    "radsec-name-mismatch-common-name": (0, {("radsec-name-mismatch", "radsec", THIRD, None)}),
    "radsec-name-mismatch-realm": (1, {("radsec-name-mismatch", "radsec", THIRD, None)}),
    "radsec-no-client-certificate-asked": (
        0,
        {("radsec-no-client-certificate-asked", "radsec", THIRD, None)},
    ),
    "radsec-old-tls": (0, {("radsec-old-tls", "radsec", THIRD, None)}),
    "radsec-old-tls-only": (1, {("radsec-old-tls", "radsec", THIRD, None)}),
    "radsec-refused": (1, {("radsec-refused", "radsec", THIRD, None)}),
    "radsec-refused-garbage-inside": (1, {("radsec-refused", "radsec", THIRD, None)}),
    "radsec-refused-hangs-up": (4, {("radsec-refused", "radsec", THIRD, None)}),
    "radsec-refused-key-unproven": (1, {("radsec-refused", "radsec", THIRD, None)}),
    "radsec-refused-malformed": (1, {("radsec-refused", "radsec", THIRD, None)}),
    "radsec-refused-not-tls": (1, {("radsec-refused", "radsec", THIRD, None)}),
    "radsec-refused-other-secret": (1, {("radsec-refused", "radsec", THIRD, None)}),
    "radsec-refused-other-protocol": (4, {("radsec-refused", "radsec", THIRD, None)}),
    "radsec-refused-our-certificate": (4, {("radsec-refused", "radsec", THIRD, None)}),
    "radsec-silent": (4, {("radsec-silent", "radsec", THIRD, None)}),
    "radsec-silent-inside": (4, {("radsec-silent", "radsec", THIRD, None)}),
    "radsec-silent-no-sign-of-life": (0, set()),
    "radsec-unknown-root": (1, {("radsec-unknown-root", "radsec", THIRD, None)}),
    "radsec-unknown-root-malformed": (1, {("radsec-unknown-root", "radsec", THIRD, None)}),
    "radsec-unknown-root-self-signed": (1, {("radsec-unknown-root", "radsec", THIRD, None)}),
    "radsec-weak-key": (0, {("radsec-weak-key", "radsec", THIRD, None)}),
    "radsec-weak-key-signature": (0, {("radsec-weak-key", "radsec", THIRD, None)}),
    "radsec-wrong-purpose": (1, {("radsec-wrong-purpose", "radsec", THIRD, None)}),
    "web-anchor-expiring": (1, {("web-anchor-expiring", "web", THIRD, None)}),
    "web-chain-disordered": (1, {("web-chain-disordered", "web", THIRD, None)}),
    "web-chain-disordered-harmless": (0, set()),
    "profile-anchor-missing": (1, {("profile-anchor-missing", "eap", THIRD, None)}),
    "profile-name-missing": (1, {("profile-name-missing", "eap", ALL, None)}),
    "web-chain-incomplete": (1, {("web-chain-incomplete", "web", THIRD, None)}),
    "web-chain-incomplete-fetched": (1, {("web-chain-incomplete", "web", ALL, None)}),
    "web-chain-incomplete-wrong": (1, {("web-chain-incomplete", "web", ALL, None)}),
    "web-chain-surplus": (0, set()),
    "web-clock-off": (0, {("web-clock-off", "web", THIRD, None)}),
    "web-closed": (1, {("web-closed", "web", THIRD, None)}),
    "web-closed-cut-off": (1, {("web-closed", "web", THIRD, None)}),
    "web-common-name-only": (1, {("web-common-name-only", "web", THIRD, None)}),
    "web-default-differs": (0, set()),
    "web-expired": (1, {("web-expired", "web", THIRD, None)}),
    "web-expired-issuer": (1, {("web-expired", "web", THIRD, None)}),
    "web-expiring": (1, {("web-expiring", "web", THIRD, None)}),
    "web-families-differ": (1, {("web-families-differ", "web", THIRD, GUEST)}),
    "web-hsts": (1, {("web-self-signed", "web", THIRD, None)}),
    "web-intercepted": (1, {("web-intercepted", "web", ("quay1",), "weather.example")}),
    "web-key-unproven": (1, {("web-key-unproven", "web", THIRD, None)}),
    "web-lifetime-too-long": (0, {("web-lifetime-too-long", "web", THIRD, None)}),
    "web-malformed": (1, {("web-malformed", "web", THIRD, None)}),
    "web-name-mismatch": (1, {("web-name-mismatch", "web", THIRD, GUEST)}),
    "web-not-tls": (1, {("web-not-tls", "web", THIRD, None)}),
    "web-not-tls-broken-hello": (1, {("web-not-tls", "web", THIRD, None)}),
    "web-not-tls-garbage": (1, {("web-not-tls", "web", THIRD, None)}),
    "web-not-yet-valid": (1, {("web-not-yet-valid", "web", THIRD, None)}),
    "web-old-tls": (0, {("web-old-tls", "web", THIRD, None)}),
    "web-old-tls-only": (1, {("web-old-tls", "web", THIRD, None)}),
    "web-path-invalid": (1, {("web-path-invalid", "web", THIRD, None)}),
    "web-private-root": (1, {("web-private-root", "web", THIRD, GUEST)}),
    "web-refused": (1, {("web-refused", "web", THIRD, None)}),
    # Nobody needs quay1's certificate looked up: its staple says that it is good.
    "web-revocation-unknown": (0, {("web-revocation-unknown", "web", ("quay2", "quay3"), None)}),
    "web-revocation-unknown-unseen": (
        4,
        {("web-revocation-unknown", "web", ("quay2", "quay3"), None)},
    ),
    "web-revoked": (1, {("web-revoked", "web", THIRD, None)}),
    "web-revoked-issuer": (1, {("web-revoked", "web", ALL, None)}),
    "web-root-winding-down": (1, {("web-root-winding-down", "web", THIRD, None)}),
    "web-self-signed": (1, {("web-self-signed", "web", THIRD, None)}),
    "web-self-signed-other-family": (1, {("web-self-signed", "web", THIRD, None)}),
    "web-silent": (4, {("web-silent", "web", THIRD, None)}),
    "web-staple-bad": (1, {("web-staple-bad", "web", THIRD, None)}),
    "web-staple-missing": (1, {("web-staple-missing", "web", THIRD, None)}),
    "web-too-few-timestamps": (1, {("web-too-few-timestamps", "web", THIRD, None)}),
    "web-too-few-timestamps-by-handshake": (
        1,
        {("web-too-few-timestamps", "web", THIRD, None)},
    ),
    "web-unequal-answers": (0, {("web-unequal-answers", "web", THIRD, None)}),
    "web-unequal-answers-incomplete": (1, {("web-unequal-answers", "web", THIRD, None)}),
    "web-unknown-root": (1, {("web-unknown-root", "web", THIRD, None)}),
    "web-weak-key": (1, {("web-weak-key", "web", THIRD, None)}),
    "web-weak-signature": (1, {("web-weak-signature", "web", THIRD, None)}),
    "web-wrong-purpose": (1, {("web-wrong-purpose", "web", THIRD, None)}),
}
"""Exit status and findings. The healthy scenarios are in tests/healthy/."""

CLOSER: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "dns-reverse-differs": (("node", "quay3"), ()),
    "dns-wildcard-answer": (("node", "quay3"), ()),
    "eap-client-authorities-none": (("node", "quay3"), ()),
    "eap-families-differ": (("node", "quay3"), ()),
    "eap-unequal-answers": (("node", "quay3"), ()),
    "eap-unsigned-accepted": (("node", "quay3"), ("--unsigned",)),
    "eap-visit-differs": (("node", "quay3"), ()),
    "eap-visit-differs-expired": (("node", "quay3"), ()),
    "radsec-old-tls": (("node", "quay3"), ()),
    "radsec-old-tls-only": (("node", "quay3"), ()),
    "web-default-differs": (("node", "quay3"), ()),
    "web-old-tls": (("node", "quay3"), ()),
    "web-old-tls-only": (("node", "quay3"), ()),
    "web-unequal-answers": (("cluster",), ("--repeat", "2")),
    "web-unequal-answers-incomplete": (("node", "quay3"), ()),
}
"""Command and options, where a plain sweep does not look so closely."""

FOLDED = {
    "dns-no-address-guest-view": {"dns-views-differ"},
    "dns-views-differ-wrong": {"dns-views-differ"},
    "eap-balancer-splits": set(),
    "eap-client-authority-missing-one-node": {"eap-client-authorities-differ"},
    "eap-families-differ": {"eap-name-unexpected"},
    "eap-fragments-lost": set(),
    "eap-method-differs-expired": {
        "eap-half-renewed",
        "eap-leaf-differs",
        "eap-method-differs",
    },
    "eap-old-tls": set(),
    "eap-reply-elsewhere": set(),
    "eap-unequal-answers": set(),
    "eap-visit-differs-expired": {"eap-visit-differs"},
    "radsec-old-tls-only": {"radsec-refused"},
    "radsec-refused-key-unproven": set(),
    "radsec-unknown-root-malformed": set(),
    "radsec-unknown-root-self-signed": set(),
    "web-families-differ": {"web-name-mismatch", "cluster-name-uncovered"},
    "web-old-tls-only": {"web-refused"},
    "web-self-signed-other-family": {"web-families-differ", "cluster-join-untrusted"},
    "web-unequal-answers": set(),
    "web-unequal-answers-incomplete": {"web-chain-incomplete", "cluster-join-untrusted"},
}
"""What a finding explains, where that is what the scenario is for."""

NOTED = {
    "dns-reverse-differs": ("dns-reverse-differs", THIRD),
    "dns-wildcard-answer": ("dns-wildcard-answer", THIRD),
    "cluster-methods-differ-harmless": ("cluster-methods-differ", THIRD),
    "cluster-methods-differ-versions": ("cluster-methods-differ", THIRD),
    "eap-chain-differs": ("eap-chain-differs", THIRD),
    "eap-chain-surplus": ("eap-chain-surplus", THIRD),
    "eap-client-authorities-differ-harmless": ("eap-client-authorities-differ", THIRD),
    "eap-client-authorities-none": ("eap-client-authority-missing", THIRD),
    "eap-method-differs": ("eap-method-differs", THIRD),
    "eap-override-disabled": ("eap-override-disabled", ALL),
    "eap-resumption-on": ("eap-resumption-on", ALL),
    "eap-same-as-web": ("eap-same-as-web", ALL),
    "eap-unsigned-reply-last": ("eap-unsigned-reply", ALL),
    "eap-visit-differs": ("eap-visit-differs", THIRD),
    "radsec-silent-no-sign-of-life": ("radsec-silent", THIRD),
    "web-chain-disordered-harmless": ("web-chain-disordered", THIRD),
    "web-chain-surplus": ("web-chain-surplus", THIRD),
    "web-default-differs": ("web-default-differs", THIRD),
    "web-hsts": ("web-hsts", ALL),
}
"""Rules that only make a note here, as nobody is kept out."""


AT_THE_CA = {"eap-client-crl-stale"}
"""What is mended at a CA and on no node."""

ELSEWHERE = {
    "tests/judge/test_rules_bundle.py": (
        "bundle-unreadable",
        "bundle-no-key",
        "bundle-key-differs",
        "bundle-chain-incomplete",
        "bundle-old-encryption",
        "bundle-trust-needed",
        "bundle-name-uncovered",
    ),
}
"""Where rules are tried, each with its twin, that no scenario can show, as no server is asked."""


def swept(name: str, directory: Path, *, single_address: bool = False) -> Result:
    scenario = Scenario.load(name)
    with Cluster(scenario, directory=directory, at=DAY, single_address=single_address) as lab:
        command, options = CLOSER.get(name, (("cluster",), ()))
        if scenario.imported:
            options = (*options, "--expect", str(lab.imported_path))
        return probe(lab.plan_path, "--at", DAY.isoformat(), *options, command=command)


def names_what_to_do(result: Result, finding: dict[str, Any]) -> None:
    """A reader who has only the finding knows which certificate it is, where, and what to put."""
    assert finding["remedy"].endswith(".")
    if finding["endpoint"] == "eap" and finding["rule"] not in AT_THE_CA:
        assert any(node in finding["remedy"] for node in finding["nodes"]), finding["rule"]
    shown = [result.document["certificates"][sha256] for sha256 in finding["certificates"]]
    if shown:
        said = finding["says"] + "".join(row["value"] for row in finding["evidence"])
        names = {name["value"] for one in shown for name in one["names"]}
        names |= {one["subject"].rpartition("CN=")[2].partition(",")[0] for one in shown}
        assert any(name in said for name in names - {""}), finding["rule"]
        assert any(node in finding["remedy"] for node in finding["nodes"]), finding["rule"]


@pytest.mark.parametrize("name", EXPECTED)
def test_a_scenario_is_called_by_its_name_and_nothing_else(tmp_path: Path, name: str) -> None:
    result = swept(name, tmp_path)
    status, expected = EXPECTED[name]
    assert result.findings() == expected
    assert result.status == status
    if name in FOLDED:
        (finding,) = result.document["findings"]
        assert {below["rule"] for below in finding["folded"]} == FOLDED[name]
    for finding in result.document["findings"]:
        names_what_to_do(result, finding)
    if name in NOTED:
        rule, nodes = NOTED[name]
        assert (rule, nodes) in {
            (note["rule"], tuple(note["nodes"])) for note in result.document["notes"]
        }


def test_every_scenario_with_a_fault_is_expected_something_of() -> None:
    assert set(EXPECTED) == {name for name in known() if not name.startswith("healthy-")}


def test_every_rule_has_a_scenario() -> None:
    """One where it makes a finding or a note, or goes under a finding that explains it."""
    shown = {rule for _, findings in EXPECTED.values() for rule, *_ in findings}
    shown |= {rule for rule, _ in NOTED.values()}
    shown |= {rule for folded in FOLDED.values() for rule in folded}
    shown |= {rule for rules in ELSEWHERE.values() for rule in rules}
    assert shown == set(BY_ID)


def test_rules_without_a_scenario_are_tried_where_it_says() -> None:
    root = Path(__file__).parents[2]
    for place, rules in ELSEWHERE.items():
        text = (root / place).read_text("utf-8")
        assert [rule for rule in rules if f'"{rule}"' not in text] == []


def test_the_same_is_found_at_a_single_address(tmp_path: Path) -> None:
    result = swept("northpier-demo", tmp_path, single_address=True)
    assert result.findings() == EXPECTED["northpier-demo"][1]
