"""Complaints where what is felt is the other side of what is wrong, or one of many things that end
alike. Reasoned by hand as the others."""

from tests.lab.complaints import (
    ANDROID_MEMORY,
    CHROMIUM,
    CHROMIUM_MEMORY,
    EAP3,
    EAP_ALL,
    GUEST,
    MOZILLA,
    NOTHING,
    OPENSSL,
    PKIX,
    PROMPT,
    THIRD,
    WIRED,
    Told,
    saw,
)

ROUNDABOUT = (
    # Two certificates, and neither has ended.
    Told(
        "cluster-half-renewed",
        saw("NET::ERR_CERT_DATE_INVALID"),
        CHROMIUM,
        None,
        (),
        NOTHING,
        status=0,
    ),
    # A browser takes any of the addresses, and at one of them nobody answers.
    Told(
        "dns-partly-wrong",
        saw("ERR_CONNECTION_TIMED_OUT", "--at-page", GUEST),
        CHROMIUM_MEMORY,
        "dns-partly-wrong",
        ("quay1", "quay2", "quay3"),
        "Confirmed: guest.northpier.example leads to 127.99.0.14 besides the plan's addresses, "
        "says resolver 127.77.N.53:10053.",
    ),
    # A phone ends so whatever it has against a network.
    Told(
        "eap-expired",
        saw("Authentication problem", "--client", "Android"),
        ANDROID_MEMORY,
        "eap-expired",
        ("quay1", "quay2", "quay3"),
        f"{EAP_ALL}, expired since 2026-11-24 09:00 UTC.",
    ),
    # Every other login meets the certificate from before: who has accepted the new one is asked.
    Told(
        "eap-unequal-answers",
        saw("Continue connecting?", "--client", "Windows"),
        PROMPT,
        None,
        (),
        "Possible, not confirmed: quay3 serves for EAP different certificates from one time to "
        "the next.",
        possible="eap-unequal-answers",
        status=4,
    ),
    # "Wired 802.1X authentication failed", and by cable another certificate is shown.
    Told(
        "eap-visit-differs-expired",
        saw("Event ID 15514", "--client", "Windows"),
        WIRED,
        "eap-expired",
        THIRD,
        f"{EAP3}, expired since 2026-10-21 09:00 UTC.",
    ),
    # Who looks from behind an inspecting proxy sees the proxy's certificates and not the nodes'.
    Told(
        "here-intercepted",
        saw("SEC_ERROR_UNKNOWN_ISSUER", "--at-page", GUEST),
        MOZILLA,
        None,
        (),
        "Possible, not confirmed: quay1, quay2 and quay3 serve over HTTPS 3 certificates such as "
        '"quay1.northpier.example", which lead to "TLS Inspection CA", which is not among the '
        "roots that clients have for it.",
        possible="web-unknown-root",
        status=4,
        contradicts=True,
    ),
    # An access point's words about the server that it calls.
    Told(
        "radsec-expired",
        saw("certificate has expired", "--node", "quay3"),
        OPENSSL,
        "radsec-expired",
        THIRD,
        'Confirmed: quay3 serves over RadSec the certificate "quay3.northpier.example", expired '
        "since 2026-11-23 09:00 UTC.",
    ),
    Told(
        "web-common-name-only",
        saw("NET::ERR_CERT_COMMON_NAME_INVALID", "--at-page", "quay3.northpier.example"),
        CHROMIUM,
        "web-common-name-only",
        THIRD,
        'Confirmed: quay3 serves the certificate "quay3.northpier.example", which has a common '
        "name and no alternative name.",
    ),
    Told(
        "web-intercepted",
        saw("MOZILLA_PKIX_ERROR_MITM_DETECTED"),
        PKIX,
        "web-intercepted",
        ("quay1",),
        "Confirmed: Where guests are, weather.example, which is outside the plan, is answered "
        'with the certificate "quay1.northpier.example" of quay1: somebody answers in its place.',
    ),
)
