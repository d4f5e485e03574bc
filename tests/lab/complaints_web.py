"""Complaints about pages. What each must come to is reasoned by hand: from what its words mean
where they are published, and from what is wrong in the scenario."""

from tests.lab.complaints import (
    ALERTS,
    ALL,
    ANDROID_MEMORY,
    APPLE,
    CHROMIUM,
    CHROMIUM_MEMORY,
    GUEST,
    MOZILLA,
    ONBOARD,
    OPENSSL,
    PKIX,
    SECBASE,
    THIRD,
    WEB3,
    WINHTTP,
    Told,
    saw,
)

HOST3 = "quay3.northpier.example"

WEB = (
    Told(
        "cluster-join-untrusted",
        saw("unable to get local issuer certificate", "--client", "node"),
        OPENSSL,
        "cluster-join-untrusted",
        THIRD,
        'Confirmed: Other nodes would not accept "quay3.northpier.example", which quay3 '
        'serves: they have no root that it leads to ("Longshore Global Root").',
    ),
    Told(
        "dns-no-address",
        saw("DNS_PROBE_FINISHED_NXDOMAIN", "--at-page", HOST3),
        CHROMIUM_MEMORY,
        "dns-no-address",
        THIRD,
        "Confirmed: quay3.northpier.example does not exist, says resolver 127.77.N.53:10053.",
    ),
    Told(
        "dns-no-address-guest-view",
        saw("ERR_NAME_NOT_RESOLVED", "--client", "Chrome", "--at-page", GUEST),
        CHROMIUM_MEMORY,
        "dns-no-address",
        ALL,
        "Confirmed: guest.northpier.example does not exist, says resolver "
        "127.77.N.54:10053 (guest view).",
    ),
    # Another node answers at the address, and rightly has another name: DNS is at fault.
    Told(
        "dns-wrong-address-other-node",
        saw("NET::ERR_CERT_COMMON_NAME_INVALID", "--at-page", HOST3),
        CHROMIUM,
        "dns-wrong-address",
        THIRD,
        "Confirmed: quay3.northpier.example leads to 127.77.N.11, says resolver "
        "127.77.N.53:10053, and the plan has 127.77.N.13.",
    ),
    Told(
        "web-chain-incomplete",
        saw(
            "javax.net.ssl.SSLHandshakeException: java.security.cert.CertPathValidatorException: "
            "Trust anchor for certification path not found.",
            "--client",
            "Android",
        ),
        ANDROID_MEMORY,
        "web-chain-incomplete",
        THIRD,
        f'{WEB3} without the CA certificate "Saltmarsh Server Issuing E1" that leads from '
        "it to a root.",
    ),
    Told(
        "web-chain-incomplete",
        saw("verify error:num=21:unable to verify the first certificate", "--node", "quay3"),
        OPENSSL,
        "web-chain-incomplete",
        THIRD,
        f'{WEB3} without the CA certificate "Saltmarsh Server Issuing E1" that leads from '
        "it to a root.",
    ),
    Told(
        "web-chain-incomplete",
        saw("errSSLXCertChainInvalid", "--at-page", GUEST),
        SECBASE,
        "web-chain-incomplete",
        THIRD,
        f'{WEB3} without the CA certificate "Saltmarsh Server Issuing E1" that leads from '
        "it to a root.",
    ),
    Told(
        "web-closed",
        saw("ERR_CONNECTION_REFUSED", "--client", "Chrome", "--at-page", ONBOARD),
        CHROMIUM_MEMORY,
        "web-closed",
        THIRD,
        "Confirmed: HTTPS is closed at port 10443 of quay3.",
    ),
    # Wrapped as on a narrow screen.
    Told(
        "web-expired",
        saw("net::err_cert_\n  date_invalid", "--client", "laptop", "--at-page", GUEST),
        CHROMIUM,
        "web-expired",
        THIRD,
        f"{WEB3}, expired since 2026-11-22 09:00 UTC.",
    ),
    Told(
        "web-expired",
        saw("SEC_ERROR_EXPIRED_CERTIFICATE"),
        MOZILLA,
        "web-expired",
        THIRD,
        f"{WEB3}, expired since 2026-11-22 09:00 UTC.",
    ),
    Told(
        "web-expired",
        saw("error 12037", "--client", "Windows", "--at-page", ONBOARD),
        WINHTTP,
        "web-expired",
        THIRD,
        f"{WEB3}, expired since 2026-11-22 09:00 UTC.",
    ),
    Told(
        "web-expired-issuer",
        saw("SEC_ERROR_EXPIRED_ISSUER_CERTIFICATE", "--client", "Firefox"),
        MOZILLA,
        "web-expired",
        THIRD,
        f'{WEB3} under the CA certificate "Saltmarsh Server Issuing E0", expired since '
        "2026-11-15 09:00 UTC.",
    ),
    Told(
        "web-key-unproven",
        saw("TLS alert decrypt_error (51)", "--at-page", GUEST),
        ALERTS,
        "web-key-unproven",
        THIRD,
        f"{WEB3}, and signs the handshake with another key than the one in it.",
    ),
    Told(
        "web-lifetime-too-long",
        saw("NET::ERR_CERT_VALIDITY_TOO_LONG", "--at-page", GUEST),
        CHROMIUM,
        "web-lifetime-too-long",
        THIRD,
        f"{WEB3}, which lives for 366 days; a public CA may issue for 200 on 2026-10-31.",
        status=0,
    ),
    # "The server's certificate could not be parsed."
    Told(
        "web-malformed",
        saw("ERR_SSL_SERVER_CERT_BAD_FORMAT", "--at-page", GUEST),
        CHROMIUM,
        "web-malformed",
        THIRD,
        f"{WEB3}, which is malformed: notAfter: a time with tag 0x16.",
    ),
    Told(
        "web-name-mismatch",
        saw("NET::ERR_CERT_COMMON_NAME_INVALID", "--client", "Chrome", "--at-page", GUEST),
        CHROMIUM,
        "web-name-mismatch",
        THIRD,
        'Confirmed: quay3 serves the certificate "quay3.northpier.example", which does not '
        "cover guest.northpier.example.",
    ),
    Told(
        "web-name-mismatch",
        saw("Error code: SSL_ERROR_BAD_CERT_DOMAIN", "--at-page", f"https://{GUEST}/"),
        MOZILLA,
        "web-name-mismatch",
        THIRD,
        'Confirmed: quay3 serves the certificate "quay3.northpier.example", which does not '
        "cover guest.northpier.example.",
    ),
    Told(
        "web-name-mismatch",
        saw("SSL hostname does not match name(s) in certificate", "--client", "iPad"),
        APPLE,
        "web-name-mismatch",
        THIRD,
        'Confirmed: quay3 serves the certificate "quay3.northpier.example", which does not '
        "cover guest.northpier.example.",
    ),
    Told(
        "web-not-tls",
        saw("SSL_ERROR_RX_RECORD_TOO_LONG", "--at-page", GUEST),
        MOZILLA,
        "web-not-tls",
        THIRD,
        "Confirmed: What answers at port 10443 of quay3 does not speak TLS.",
    ),
    Told(
        "web-not-yet-valid",
        saw("MOZILLA_PKIX_ERROR_NOT_YET_VALID_CERTIFICATE", "--at-page", GUEST),
        PKIX,
        "web-not-yet-valid",
        THIRD,
        f"{WEB3}, not valid before 2026-11-27 09:00 UTC.",
    ),
    Told(
        "web-not-yet-valid",
        saw("OSStatus -9815", "--client", "Mac"),
        SECBASE,
        "web-not-yet-valid",
        THIRD,
        f"{WEB3}, not valid before 2026-11-27 09:00 UTC.",
    ),
    Told(
        "web-old-tls-only",
        saw("ERR_SSL_VERSION_OR_CIPHER_MISMATCH", "--at-page", GUEST),
        CHROMIUM,
        "web-old-tls",
        THIRD,
        "Confirmed: quay3 speaks nothing newer than TLS 1.0 and TLS 1.1 over HTTPS.",
    ),
    Told(
        "web-old-tls-only",
        saw("SSL_ERROR_UNSUPPORTED_VERSION", "--node", "quay3"),
        MOZILLA,
        "web-old-tls",
        THIRD,
        "Confirmed: quay3 speaks nothing newer than TLS 1.0 and TLS 1.1 over HTTPS.",
    ),
    Told(
        "web-path-invalid",
        saw("SEC_ERROR_PATH_LEN_CONSTRAINT_INVALID"),
        MOZILLA,
        "web-path-invalid",
        THIRD,
        f'{WEB3}, whose path to a root is broken at "Saltmarsh Server Issuing E1".',
    ),
    Told(
        "web-private-root",
        saw("SEC_ERROR_UNKNOWN_ISSUER", "--client", "Firefox", "--at-page", GUEST),
        MOZILLA,
        "web-private-root",
        THIRD,
        f'{WEB3}, issued under the private root "Northpier Ferries Root", which the devices '
        "that come there do not have.",
    ),
    Told(
        "web-refused",
        saw("SSL_ERROR_HANDSHAKE_FAILURE_ALERT", "--at-page", GUEST),
        MOZILLA,
        "web-refused",
        THIRD,
        "Confirmed: HTTPS at port 10443 of quay3 refuses the handshake with the alert "
        "handshake_failure.",
    ),
    Told(
        "web-revoked",
        saw("SEC_ERROR_REVOKED_CERTIFICATE", "--at-page", GUEST),
        MOZILLA,
        "web-revoked",
        THIRD,
        f"{WEB3}, which was revoked on 2026-11-23 (keyCompromise).",
    ),
    # "Signed by an authority we don't trust", since the day on which that browser stopped to.
    Told(
        "web-root-winding-down",
        saw("NET::ERR_CERT_AUTHORITY_INVALID", "--client", "Chrome"),
        CHROMIUM,
        "web-root-winding-down",
        THIRD,
        f'{WEB3} under the root "HiPKI Root CA - G1", which browsers distrusted before it '
        "was issued.",
    ),
    Told(
        "web-self-signed",
        saw("MOZILLA_PKIX_ERROR_SELF_SIGNED_CERT", "--at-page", GUEST),
        PKIX,
        "web-self-signed",
        THIRD,
        f"{WEB3}, which is its own issuer.",
    ),
    Told(
        "web-staple-bad",
        saw("SEC_ERROR_OCSP_OLD_RESPONSE", "--at-page", GUEST),
        MOZILLA,
        "web-staple-bad",
        THIRD,
        f"{WEB3} with a stapled OCSP response that is of no use: the response is out of "
        "date since 2026-11-19 21:00 UTC.",
    ),
    Told(
        "web-staple-missing",
        saw("MOZILLA_PKIX_ERROR_REQUIRED_TLS_FEATURE_MISSING"),
        PKIX,
        "web-staple-missing",
        THIRD,
        f"{WEB3}, which is bound to come with a stapled OCSP response, and comes without.",
    ),
    Told(
        "web-too-few-timestamps",
        saw("NET::ERR_CERTIFICATE_TRANSPARENCY_REQUIRED", "--at-page", GUEST),
        CHROMIUM,
        "web-too-few-timestamps",
        THIRD,
        f"{WEB3}, which brings signed timestamps of 1 log where 2 are needed.",
    ),
    # Every other visit is in order.
    Told(
        "web-unequal-answers-incomplete",
        saw("SEC_ERROR_UNKNOWN_ISSUER", "--at-page", GUEST),
        MOZILLA,
        "web-unequal-answers",
        THIRD,
        "Confirmed: quay3 serves over HTTPS the same certificate with different CA "
        "certificates from one time to the next; quay3 serves over HTTPS the ECDSA "
        'certificate "quay3.northpier.example" without the CA certificate "Saltmarsh '
        'Server Issuing E1" that leads from it to a root.',
    ),
    Told(
        "web-unknown-root",
        saw("-202", "--client", "Chrome", "--at-page", GUEST),
        CHROMIUM,
        "web-unknown-root",
        THIRD,
        f'{WEB3}, which leads to "Dry Dock Test CA", which is not among the roots that '
        "clients have for it.",
    ),
    Told(
        "web-unknown-root",
        saw("errSSLUnknownRootCert", "--at-page", GUEST),
        SECBASE,
        "web-unknown-root",
        THIRD,
        f'{WEB3}, which leads to "Dry Dock Test CA", which is not among the roots that '
        "clients have for it.",
    ),
    Told(
        "web-weak-key",
        saw("certificate is using a broken key size", "--client", "iPhone", "--at-page", GUEST),
        APPLE,
        "web-weak-key",
        THIRD,
        f"{WEB3}, which has the weak key RSA 1024.",
    ),
    Told(
        "web-weak-signature",
        saw("NET::ERR_CERT_WEAK_SIGNATURE_ALGORITHM", "--at-page", GUEST),
        CHROMIUM,
        "web-weak-signature",
        THIRD,
        f"{WEB3}, which is signed with sha1WithRSAEncryption.",
    ),
    Told(
        "web-wrong-purpose",
        saw("Extended key usage does not match certificate usage", "--client", "Safari"),
        APPLE,
        "web-wrong-purpose",
        THIRD,
        f"{WEB3}, which is made for another purpose than a server's.",
    ),
    Told(
        "web-wrong-purpose",
        saw("SEC_ERROR_INADEQUATE_CERT_TYPE", "--at-page", GUEST),
        MOZILLA,
        "web-wrong-purpose",
        THIRD,
        f"{WEB3}, which is made for another purpose than a server's.",
    ),
)
