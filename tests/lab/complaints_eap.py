"""Complaints about Wi-Fi and wired ports with 802.1X, and about RadSec. As for the pages: what each
must come to is reasoned by hand."""

from tests.lab.complaints import (
    ALERTS,
    ALL,
    APPLE,
    EAP3,
    EAP_ALL,
    EAPHOST,
    ONEX,
    OPENSSL,
    PROMPT,
    SUPPLICANT,
    THIRD,
    TOFU,
    WINERROR,
    Told,
    saw,
)

EAP = (
    # The network asked for a certificate, and none of the client's is from a CA that it named.
    Told(
        "eap-client-authority-missing",
        saw("EAP_E_USER_CERT_NOT_FOUND", "--on-wifi"),
        EAPHOST,
        "eap-client-authority-missing",
        ALL,
        "Confirmed: quay1, quay2 and quay3 ask in EAP-TLS for certificates of other CAs "
        'than "Northpier Ferries Devices", which the plan\'s clients have theirs of.',
    ),
    # "The authenticator rejected the user certificate": it has no list to look into any more.
    Told(
        "eap-client-crl-stale",
        saw("0x80420105", "--client", "Windows", "--on-wifi"),
        EAPHOST,
        "eap-client-crl-stale",
        ALL,
        "Confirmed: The list of revoked certificates at "
        'http://pki.northpier.example:10080/northpier-root.crl, for the CA "Northpier '
        "Ferries Device Issuing\" of the clients' own certificates, is out of date since "
        "2026-11-19 21:00 UTC: if quay1, quay2 and quay3 check it, they refuse every "
        "client certificate. Seen from here, not from the nodes.",
    ),
    Told(
        "eap-chain-incomplete",
        saw(
            "Unable to build chain to root (possible missing intermediate)",
            "--client",
            "iPhone",
            "--on-wifi",
        ),
        APPLE,
        "eap-chain-incomplete",
        THIRD,
        f'{EAP3} without the CA certificate "Northpier Ferries Network Issuing" that leads '
        "from it to a root.",
    ),
    Told(
        "eap-chain-incomplete",
        saw("CERT_E_CHAINING", "--client", "laptop", "--on-wifi"),
        WINERROR,
        "eap-chain-incomplete",
        THIRD,
        f'{EAP3} without the CA certificate "Northpier Ferries Network Issuing" that leads '
        "from it to a root.",
    ),
    Told(
        "eap-closed",
        saw("ONEX_NO_RESPONSE_TO_IDENTITY", "--client", "Windows"),
        ONEX,
        "eap-closed",
        THIRD,
        "Confirmed: RADIUS is closed at port 11812 of quay3.",
    ),
    Told(
        "eap-expired",
        saw("0x80420202", "--client", "Windows", "--on-wifi"),
        EAPHOST,
        "eap-expired",
        ALL,
        f"{EAP_ALL}, expired since 2026-11-24 09:00 UTC.",
    ),
    Told(
        "eap-expired",
        saw("error code -2143157758", "--on-wifi"),
        EAPHOST,
        "eap-expired",
        ALL,
        f"{EAP_ALL}, expired since 2026-11-24 09:00 UTC.",
    ),
    Told(
        "eap-expired",
        saw("2151809538"),
        EAPHOST,
        "eap-expired",
        ALL,
        f"{EAP_ALL}, expired since 2026-11-24 09:00 UTC.",
    ),
    # A whole line, of which two parts say the same.
    Told(
        "eap-expired-one-node",
        saw(
            "wlan0: CTRL-EVENT-EAP-TLS-CERT-ERROR reason=4 depth=0 "
            "subject='/O=Northpier Ferries/CN=radius.northpier.example' "
            "err='certificate has expired'"
        ),
        SUPPLICANT,
        "eap-expired",
        THIRD,
        f"{EAP3}, expired since 2026-11-24 09:00 UTC.",
    ),
    # Whoever is asked that has set it up by hand, whatever the plan says of its clients.
    Told(
        "eap-half-renewed",
        saw(
            "Continue connecting? If you expect to find this network in this location, go ahead "
            "and connect. Otherwise, it may be a different network with the same name.",
            "--client",
            "Windows",
        ),
        PROMPT,
        "eap-half-renewed",
        THIRD,
        "Confirmed: quay1 and quay2 serve for EAP the renewed certificate "
        '"radius.northpier.example" (until 2027-11-21), and quay3 still the one before it '
        "(until 2027-01-24).",
    ),
    # A signature that does not verify, "or other handshake cryptographic operation".
    Told(
        "eap-key-unproven",
        saw("decrypt error", "--on-wifi"),
        ALERTS,
        "eap-key-unproven",
        THIRD,
        f"{EAP3}, and signs the handshake with another key than the one in it.",
    ),
    Told(
        "eap-leaf-differs",
        saw("Continue connecting?", "--client", "Windows", "--on-wifi"),
        PROMPT,
        "eap-leaf-differs",
        THIRD,
        'Confirmed: quay3 serves for EAP another certificate ("radius.northpier.example", '
        'digest...) than quay1 and quay2 ("radius.northpier.example", digest...).',
    ),
    # "A certificate was corrupt."
    Told(
        "eap-malformed",
        saw("fatal alert bad_certificate", "--on-wifi"),
        ALERTS,
        "eap-malformed",
        THIRD,
        f"{EAP3}, which is malformed: notAfter: a time with tag 0x16.",
    ),
    Told(
        "eap-method-refused",
        saw("0x40420016", "--on-wifi"),
        EAPHOST,
        "eap-method-refused",
        THIRD,
        "Confirmed: RADIUS at port 11812 of quay3 does not agree to PEAP, EAP-TTLS or "
        "EAP-TLS, and proposes TEAP.",
    ),
    Told(
        "eap-name-unexpected",
        saw("Trusted EAP hostname does not match name(s) in certificate", "--client", "iPhone"),
        APPLE,
        "eap-name-unexpected",
        THIRD,
        'Confirmed: quay3 serves for EAP the certificate "quay3.northpier.example", which '
        "carries none of the names that supplicants expect (radius.northpier.example).",
    ),
    # Reason 10, in which 1 (untrusted) is not to be read.
    Told(
        "eap-name-unexpected",
        saw("CTRL-EVENT-EAP-TLS-CERT-ERROR reason=10 depth=0", "--client", "Linux"),
        SUPPLICANT,
        "eap-name-unexpected",
        THIRD,
        'Confirmed: quay3 serves for EAP the certificate "quay3.northpier.example", which '
        "carries none of the names that supplicants expect (radius.northpier.example).",
    ),
    Told(
        "eap-name-unexpected",
        saw("CERT_E_CN_NO_MATCH", "--client", "Windows", "--on-wifi"),
        WINERROR,
        "eap-name-unexpected",
        THIRD,
        'Confirmed: quay3 serves for EAP the certificate "quay3.northpier.example", which '
        "carries none of the names that supplicants expect (radius.northpier.example).",
    ),
    Told(
        "eap-not-yet-valid",
        saw("certificate is not yet valid", "--client", "Linux", "--on-wifi"),
        OPENSSL,
        "eap-not-yet-valid",
        THIRD,
        f"{EAP3}, not valid before 2026-11-30 09:00 UTC.",
    ),
    Told(
        "eap-old-tls",
        saw("alert 70", "--on-wifi"),
        ALERTS,
        "eap-old-tls",
        THIRD,
        "Confirmed: quay3 speaks nothing newer than TLS 1.0 and TLS 1.1 for EAP.",
    ),
    Told(
        "eap-path-invalid",
        saw("0x800B0104", "--client", "Windows", "--on-wifi"),
        WINERROR,
        "eap-path-invalid",
        THIRD,
        f'{EAP3}, whose path to a root is broken at "Northpier Ferries Network Issuing".',
    ),
    # The access point drops what comes from elsewhere, so there is no answer for the client.
    Told(
        "eap-reply-elsewhere",
        saw("no response to identity", "--client", "Windows"),
        ONEX,
        "eap-reply-elsewhere",
        THIRD,
        "Confirmed: RADIUS at port 11812 of quay3 replies from another address than it is "
        "asked at (127.77.N.240 instead of 127.77.N.13): access points drop such replies.",
    ),
    Told(
        "eap-revoked",
        saw("EAP_E_SERVER_CERT_REVOKED"),
        EAPHOST,
        "eap-revoked",
        ALL,
        f"{EAP_ALL}, which was revoked on 2026-11-23 (keyCompromise).",
    ),
    Told(
        "eap-root-differs",
        saw("Is this network trusted?", "--client", "Android"),
        TOFU,
        "eap-root-differs",
        THIRD,
        "Confirmed: EAP certificates lead to different roots: quay1 and quay2 to "
        '"Northpier Ferries Root"; quay3 to "Northpier Ferries Root 2".',
    ),
    Told(
        "eap-self-signed",
        saw("self signed certificate", "--client", "Linux", "--on-wifi"),
        OPENSSL,
        "eap-self-signed",
        THIRD,
        f"{EAP3}, which is its own issuer.",
    ),
    # The network may be silent for us alone: nothing is confirmed.
    Told(
        "eap-silent",
        saw("ONEX_NO_RESPONSE_TO_IDENTITY", "--node", "quay3"),
        ONEX,
        None,
        (),
        "Possible, not confirmed: Nothing comes back from RADIUS at port 11812 of quay3.",
        possible="eap-silent",
        status=4,
    ),
    Told(
        "eap-unknown-root",
        saw(
            "\N{LEFT DOUBLE QUOTATION MARK}Root is not trusted\N{RIGHT DOUBLE QUOTATION MARK}",
            "--on-wifi",
        ),
        APPLE,
        "eap-unknown-root",
        THIRD,
        f'{EAP3}, which leads to "Dry Dock Test CA", which is not among the roots that '
        "supplicants have for it.",
    ),
    Told(
        "eap-unknown-root",
        saw("EAP_E_SERVER_ROOT_CERT_NOT_FOUND", "--client", "Windows"),
        EAPHOST,
        "eap-unknown-root",
        THIRD,
        f'{EAP3}, which leads to "Dry Dock Test CA", which is not among the roots that '
        "supplicants have for it.",
    ),
    Told(
        "eap-unknown-root",
        saw("0x800B0109", "--client", "Windows", "--on-wifi"),
        WINERROR,
        "eap-unknown-root",
        THIRD,
        f'{EAP3}, which leads to "Dry Dock Test CA", which is not among the roots that '
        "supplicants have for it.",
    ),
    Told(
        "eap-wildcard-name",
        saw("trusted EAP hostname does not match", "--client", "iPhone", "--on-wifi"),
        APPLE,
        "eap-wildcard-name",
        ALL,
        "Confirmed: quay1, quay2 and quay3 serve for EAP the certificate "
        '"northpier.example", which carries radius.northpier.example by a wildcard only.',
    ),
    # "Does not have proper usage (EKU) set."
    Told(
        "eap-wrong-purpose",
        saw("EAP_E_SERVER_CERT_INVALID"),
        EAPHOST,
        "eap-wrong-purpose",
        ALL,
        f"{EAP_ALL}, which is made for another purpose than a server's.",
    ),
    Told(
        "profile-anchor-missing",
        saw("CERT_E_UNTRUSTEDROOT", "--client", "Windows", "--on-wifi"),
        WINERROR,
        "profile-anchor-missing",
        THIRD,
        f'{EAP3}, which leads to the root "Northpier Ferries Root 2", and that is not under '
        "TrustedRootCA in staff.xml.",
    ),
    Told(
        "profile-name-missing",
        saw("CERT_E_CN_NO_MATCH", "--client", "Windows", "--on-wifi"),
        WINERROR,
        "profile-name-missing",
        ALL,
        f"{EAP_ALL}, which has no name that ServerNames in staff.xml expects "
        "(access.northpier.example).",
    ),
    # RFC 9765, 3.3: no protocol in common is alert 120. To us it is one offer that failed.
    Told(
        "radsec-refused-other-protocol",
        saw("no_application_protocol"),
        ALERTS,
        None,
        (),
        "Possible, not confirmed: RadSec at port 12083 of quay3 shows its certificate "
        "once, and refuses the handshake of the look inside with the alert "
        "no_application_protocol.",
        possible="radsec-refused",
        status=4,
    ),
)
