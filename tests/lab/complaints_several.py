"""Complaints where two things are wrong and each complaint means one of them, where nothing is
wrong at all, and where what is told does not go together."""

from tests.lab.complaints import (
    APPLE,
    CHROMIUM,
    CHROMIUM_MEMORY,
    EAP3,
    EAPHOST,
    GUEST,
    MOZILLA,
    NOTHING,
    ONBOARD,
    ONEX,
    PROMPT,
    SECOND,
    SUPPLICANT,
    THIRD,
    WEB3,
    WINERROR,
    Told,
    saw,
)

HOST4 = "quay4.northpier.example"
FIRST = ("quay1",)
FOURTH = ("quay4",)

TOGETHER = (
    Told(
        "complaint-name-and-version",
        saw("DNS_PROBE_FINISHED_NXDOMAIN", "--at-page", ONBOARD),
        CHROMIUM_MEMORY,
        "dns-no-address",
        ("quay1", "quay2", "quay3"),
        "Confirmed: onboard.northpier.example does not exist, says resolver 127.77.N.53:10053.",
    ),
    Told(
        "complaint-name-and-version",
        saw("ERR_SSL_VERSION_OR_CIPHER_MISMATCH", "--at-page", GUEST),
        CHROMIUM,
        "web-old-tls",
        SECOND,
        "Confirmed: quay2 speaks nothing newer than TLS 1.0 and TLS 1.1 over HTTPS.",
    ),
    Told(
        "complaint-one-certificate",
        saw("NET::ERR_CERT_DATE_INVALID", "--at-page", GUEST),
        CHROMIUM,
        "web-expired",
        THIRD,
        f"{WEB3}, expired since 2026-11-22 09:00 UTC.",
    ),
    Told(
        "complaint-one-certificate",
        saw("SSL_ERROR_BAD_CERT_DOMAIN", "--at-page", GUEST),
        MOZILLA,
        "web-name-mismatch",
        THIRD,
        'Confirmed: quay3 serves the certificate "quay3.northpier.example", which does not '
        "cover guest.northpier.example.",
    ),
    Told(
        "complaint-one-order",
        saw("Continue connecting?", "--client", "Windows", "--site", "ferry terminal"),
        PROMPT,
        "eap-leaf-differs",
        THIRD,
        'Confirmed: quay3 serves for EAP another certificate ("radius.northpier.example", '
        'digest...) than quay1 and quay2 ("radius.northpier.example", digest...).',
    ),
    # Whoever stands there never meets quay3, but may have accepted its certificate elsewhere.
    Told(
        "complaint-one-order",
        saw("Continue connecting?", "--client", "Windows", "--site", "car deck"),
        PROMPT,
        None,
        (),
        'Possible, not confirmed: quay3 serves for EAP another certificate ("'
        'radius.northpier.example", digest...) than quay1 and quay2 ("radius.northpier.example", '
        "digest...).",
        possible="eap-leaf-differs",
        status=4,
    ),
    Told(
        "complaint-two-endpoints",
        saw("certificate is expired", "--client", "iPhone", "--on-wifi"),
        APPLE,
        "eap-expired",
        SECOND,
        'Confirmed: quay2 serves for EAP the certificate "radius.northpier.example", '
        "expired since 2026-11-24 09:00 UTC.",
    ),
    Told(
        "complaint-two-endpoints",
        saw("certificate is expired", "--client", "iPhone", "--at-page", GUEST),
        APPLE,
        "web-expired",
        THIRD,
        f"{WEB3}, expired since 2026-11-22 09:00 UTC.",
    ),
    Told(
        "complaint-two-pages",
        saw("NET::ERR_CERT_COMMON_NAME_INVALID", "--at-page", GUEST),
        CHROMIUM,
        "web-name-mismatch",
        THIRD,
        'Confirmed: quay3 serves the certificate "quay3.northpier.example", which does not '
        "cover guest.northpier.example.",
    ),
    Told(
        "complaint-two-pages",
        saw("SEC_ERROR_UNKNOWN_ISSUER", "--at-page", GUEST),
        MOZILLA,
        "web-chain-incomplete",
        SECOND,
        'Confirmed: quay2 serves over HTTPS the certificate "quay2.northpier.example" '
        'without the CA certificate "Saltmarsh Server Issuing E1" that leads from it to a '
        "root.",
    ),
    Told(
        "complaint-two-sites",
        saw(
            "Trusted EAP hostname does not match name(s) in certificate",
            "--client",
            "iPhone",
            "--site",
            "ferry terminal",
        ),
        APPLE,
        "eap-name-unexpected",
        FIRST,
        'Confirmed: quay1 serves for EAP the certificate "quay1.northpier.example", which '
        "carries none of the names that supplicants expect (radius.northpier.example).",
    ),
    Told(
        "complaint-two-sites",
        saw("0x800B0109", "--client", "laptop", "--site", "car deck"),
        WINERROR,
        "eap-unknown-root",
        THIRD,
        f'{EAP3}, which leads to "Dry Dock Test CA", which is not among the roots that '
        "supplicants have for it.",
    ),
    # That root is served where access points of this site never ask.
    Told(
        "complaint-two-sites",
        saw("0x800B0109", "--client", "laptop", "--site", "ferry terminal"),
        WINERROR,
        None,
        (),
        "Nothing on the wire explains this, as far as quay1 and quay2 show it.",
        status=0,
    ),
    Told(
        "northpier-demo",
        saw("certificate is expired", "--client", "iPhone", "--on-wifi"),
        APPLE,
        "eap-expired",
        SECOND,
        'Confirmed: quay2 serves for EAP the certificate "radius.northpier.example", '
        "expired since 2026-11-23 09:00 UTC.",
    ),
    Told(
        "northpier-demo",
        saw("SEC_ERROR_UNKNOWN_ISSUER", "--at-page", GUEST),
        MOZILLA,
        "web-chain-incomplete",
        THIRD,
        'Confirmed: quay3 serves over HTTPS the certificate "guest.northpier.example" '
        'without the CA certificate "Saltmarsh Server Issuing E1" that leads from it to a '
        "root.",
    ),
    Told(
        "northpier-demo",
        saw("ERR_CONNECTION_REFUSED", "--at-page", HOST4),
        CHROMIUM_MEMORY,
        "dns-wrong-address",
        FOURTH,
        "Confirmed: quay4.northpier.example leads to 127.99.0.14, says resolver "
        "127.77.N.53:10053, and the plan has 127.77.N.14.",
    ),
    Told(
        "northpier-demo",
        saw("no response to identity", "--client", "Windows", "--node", "quay4"),
        ONEX,
        None,
        (),
        "Possible, not confirmed: Nothing comes back from RADIUS at port 11812 of quay4.",
        possible="eap-silent",
        status=4,
    ),
)

HEALTHY = (
    Told(
        "healthy-cluster",
        saw("NET::ERR_CERT_DATE_INVALID", "--client", "Chrome", "--at-page", GUEST),
        CHROMIUM,
        None,
        (),
        NOTHING,
        status=0,
    ),
    Told(
        "healthy-cluster",
        saw("SEC_ERROR_UNKNOWN_ISSUER", "--client", "Firefox", "--at-page", GUEST),
        MOZILLA,
        None,
        (),
        NOTHING,
        status=0,
    ),
    Told(
        "healthy-cluster",
        saw("0x80420202", "--client", "Windows", "--on-wifi"),
        EAPHOST,
        None,
        (),
        NOTHING,
        status=0,
    ),
    # About the client's own certificate, of which a server's tells nothing.
    Told(
        "healthy-cluster",
        saw("EAP_E_USER_CERT_EXPIRED", "--client", "Windows", "--on-wifi"),
        EAPHOST,
        None,
        (),
        "These words speak of the client's own certificate, account or policy, and not of "
        "the certificate that a server shows.",
        status=0,
    ),
    Told(
        "healthy-both-key-families",
        saw("Root is not trusted", "--client", "iPhone", "--on-wifi"),
        APPLE,
        None,
        (),
        NOTHING,
        status=0,
    ),
    Told(
        "healthy-names-by-sni",
        saw("NET::ERR_CERT_COMMON_NAME_INVALID", "--at-page", GUEST),
        CHROMIUM,
        None,
        (),
        NOTHING,
        status=0,
    ),
    Told(
        "healthy-profiles",
        saw("CTRL-EVENT-EAP-TLS-CERT-ERROR reason=10", "--client", "Linux"),
        SUPPLICANT,
        None,
        (),
        NOTHING,
        status=0,
    ),
    Told(
        "healthy-split-dns",
        saw("ERR_NAME_NOT_RESOLVED", "--at-page", GUEST),
        CHROMIUM_MEMORY,
        None,
        (),
        NOTHING,
        status=0,
    ),
)

CONTRADICTORY = (
    # A browser's code, and no browser joins a Wi-Fi.
    Told(
        "complaint-two-endpoints",
        saw("SEC_ERROR_EXPIRED_CERTIFICATE", "--on-wifi"),
        MOZILLA,
        "web-expired",
        THIRD,
        f"{WEB3}, expired since 2026-11-22 09:00 UTC.",
        contradicts=True,
    ),
    Told(
        "complaint-two-endpoints",
        saw("EAP_E_SERVER_CERT_EXPIRED", "--client", "iPhone"),
        EAPHOST,
        "eap-expired",
        SECOND,
        'Confirmed: quay2 serves for EAP the certificate "radius.northpier.example", '
        "expired since 2026-11-24 09:00 UTC.",
        contradicts=True,
    ),
    Told(
        "complaint-two-sites",
        saw(
            "Root is not trusted",
            "--client",
            "iPhone",
            "--site",
            "ferry terminal",
            "--node",
            "quay3",
        ),
        APPLE,
        "eap-unknown-root",
        THIRD,
        f'{EAP3}, which leads to "Dry Dock Test CA", which is not among the roots that '
        "supplicants have for it.",
        contradicts=True,
    ),
)
